"""Who goes where with whom: trips, their plan, people and rope teams, and the files they come from."""
