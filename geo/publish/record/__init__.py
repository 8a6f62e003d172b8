"""The page to take down a visit on, kept on the phone."""
