"""What lies under the units on the map."""
