"""What each stage asks of the body, and what each person has against it. Estimates, never a promise."""
