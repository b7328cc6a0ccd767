"""Flows on the graph: what agrees, who is wrong, what follows."""
