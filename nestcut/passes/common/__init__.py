"""What do all floors of this room speak of? Values, clock, solver, turns and schedules, sums."""
