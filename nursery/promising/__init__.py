"""Which ship days may be promised, and the life of a promise until it is picked."""
