"""How fast and how good: measured against decoding alone, against textbook methods and against the truth."""
