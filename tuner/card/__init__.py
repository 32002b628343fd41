"""The machine card and the dialect: what a person wrote down about one machine."""
