"""The mapped water: what lies down it, and up."""
