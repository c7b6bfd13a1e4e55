"""Settings, the engine that trains, and the run folder."""
