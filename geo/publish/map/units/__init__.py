"""Units on the map: their marks, and the panel of one."""
