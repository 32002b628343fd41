"""One file a command: the only place that joins console, session and wire."""
