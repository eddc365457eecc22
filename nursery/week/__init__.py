"""The lead's week: its sheet, its people, its day book, what to look at."""
