"""enginelog: turns a phone recording of a small engine into evidence of how it runs."""

__version__ = "0.1.0"
