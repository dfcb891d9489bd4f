"""A trip is its journal: entry kinds, the fold that makes a picture of them, the store that keeps them."""
