"""Templates of the pages."""
