"""What a solved flight shows: events and phases, motor, control, vibration, power, comparison and findings."""
