"""What is asked: kit list editions as data, their schema, checking, and the metrics they look at."""
