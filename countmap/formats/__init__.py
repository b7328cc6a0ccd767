"""Parse and serialise file formats: one a room, no judgement."""
