"""One small module a command group: read the store, call the stages, write back."""
