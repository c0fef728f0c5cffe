"""General methods as rivals for sigkit's benchmark; none states an uncertainty of an instant."""
