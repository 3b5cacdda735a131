"""Deliveries of one variety: what they earn in every draw, and the best of any number of them."""
