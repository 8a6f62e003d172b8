"""Many numbers as few letters of a page."""
