"""Stock lists written by people who had not seen the reader, each with its truth beside it."""
