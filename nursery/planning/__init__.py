"""What is started in which week, where it stands, and why something is unmet."""
