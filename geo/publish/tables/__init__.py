"""Tables, letters and calendars for other programs."""
