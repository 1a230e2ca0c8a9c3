"""partfront: picks the power-stage parts of a DC-DC converter and proves the choice."""
