"""The report to print."""
