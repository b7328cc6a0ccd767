"""From the pair of tubes to classified vehicles: geometry, pulses, classes, verification."""
