"""The land itself, no unit involved."""
