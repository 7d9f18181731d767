"""One module for each page, and what they share in `common`."""
