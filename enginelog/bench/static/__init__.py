"""Style, scripts and pictures of the pages."""
