"""Small programs for setting a machine up; `make` runs them."""
