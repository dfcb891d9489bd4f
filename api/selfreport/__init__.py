"""Self-reports: personal links, what people say of their own list, and whom to chase."""
