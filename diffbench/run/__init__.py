"""Many recordings at once, and those that a bench is writing now."""
