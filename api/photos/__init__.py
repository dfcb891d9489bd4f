"""Photos of gear: taken in, made harmless, kept, and shown to those who may see the trip."""
