"""What to buy, wind, place and solder."""
