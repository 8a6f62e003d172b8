"""Folders and files the program writes: whole or not at all, one writer at a time."""
