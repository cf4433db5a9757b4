"""The sample cards and their scripts: ``scene`` (light), ``cameras``, ``clips``, ``make_cards`` (the day)."""
