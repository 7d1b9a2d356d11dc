"""The field log: notes taken, and what follows from them."""
