"""Stock lists written by people who had not seen the reader, each with its truth beside it.

All landlords, places and people in them are invented. The reader was made with the lists here in
view; those in `later` were opened when it was done, and then it was mended once more.
"""
