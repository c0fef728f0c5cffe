"""From table to table: role, coil pair, cylinder, siblings, scatter, reference."""
