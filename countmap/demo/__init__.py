"""An invented river town, its traffic and its planted faults."""
