"""What each person types: one file a person, and one for what goes in and out."""
