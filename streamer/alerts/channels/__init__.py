"""Ways to people: each takes parcels to where somebody reads them."""
