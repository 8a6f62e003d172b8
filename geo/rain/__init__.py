"""From rain to runoff, and how often it comes."""
