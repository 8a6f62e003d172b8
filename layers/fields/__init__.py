"""Fields: their names and kinds, values as people write them, rows followed through reading."""
