"""Numbers in, numbers out: the science of mountain, cold, altitude, water and chance. Imports nothing of
ours."""
