"""What several pages have in common: frames, words, files."""
