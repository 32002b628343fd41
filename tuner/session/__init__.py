"""Where plans meet a person and a machine, and where everything is written down."""
