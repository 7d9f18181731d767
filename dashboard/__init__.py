"""The pages: which homes first, the claim, what if. A page chooses, gets and shows.

Figures come from `pipeline`; `data` is the only door to the store, `tables` puts pipeline results
side by side, `charts` turns tables into figures, `words` holds the texts and number formats.
"""
