"""Record: what workers took in, refused and published, in hourly files; and reading them."""
