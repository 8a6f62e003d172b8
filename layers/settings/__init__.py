"""What an office sets: the county file and the tables it names."""
