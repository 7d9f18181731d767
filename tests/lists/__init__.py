"""Stock lists written by people who had not seen the reader, each with its truth beside it.

All landlords, places and people in them are invented. The lists in `unread` are kept from whoever
works on the reader, and are scored only when that work is done:
`uv run python -m tests.lists tests/lists/unread`.
"""
