"""From a county file to a county: files read, rows checked, placed and linked."""
