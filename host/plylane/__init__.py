"""The host: what the technician's computer runs."""
