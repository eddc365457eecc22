"""How batches grow, and what happens to them on the benches."""
