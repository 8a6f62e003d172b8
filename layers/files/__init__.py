"""Files of places: which may be opened, and what stands in them."""
