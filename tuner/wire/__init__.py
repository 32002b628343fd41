"""The wire: from a permit to bytes at a port, and from bytes to what the controller said."""
