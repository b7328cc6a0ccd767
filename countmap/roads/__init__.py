"""The road graph: nodes, links, arcs, junctions, sections."""
