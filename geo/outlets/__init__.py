"""Where an outlet that nobody knows may be."""
