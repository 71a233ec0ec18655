"""The board: a live web page of a region and its JSON API."""
