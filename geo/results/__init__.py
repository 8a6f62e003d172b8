"""What an assessment and its questions give back: plain data the pages may read."""
