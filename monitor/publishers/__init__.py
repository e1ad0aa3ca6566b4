"""What leaves the house: durable cursors over the outbox, the broker with its messages, the phone."""
