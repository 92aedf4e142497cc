"""Ball, air, flight and bounce: numbers in, numbers out."""
