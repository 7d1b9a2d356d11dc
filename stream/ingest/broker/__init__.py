"""Messages of a broker, and what is packed in them."""
