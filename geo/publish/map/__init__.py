"""The map in a browser, for staff and for everybody."""
