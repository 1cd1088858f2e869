"""How large the next study must be."""
