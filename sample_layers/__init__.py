"""Larkmoor County: invented, set in open water; see README.md in this folder."""
