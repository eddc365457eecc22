"""How the shop is told of its promises: once each, signed, until it says that it has it."""
