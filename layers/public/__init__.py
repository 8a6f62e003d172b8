"""Published schemas, one module each."""
