"""The office's review over past trips: what keeps going wrong, what a changed kit list would have done."""
