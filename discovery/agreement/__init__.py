"""Does a method of measurement agree with another, and with itself."""
