"""Every answer on one unit's records, each worked out once, when it is first asked for."""
