"""What must hold before anything moves."""
