"""What is asked: kit list editions as data, their schema, loading and checking, and the metrics they may look at."""
