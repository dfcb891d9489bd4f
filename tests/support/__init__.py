"""What tests stand on: databases, a client that imitates production, a live server, a browser."""
