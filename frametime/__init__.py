"""From per-frame logs to a card verdict that can be published."""
