"""What watches the workers: rules, their tests, dashboards, and the code that makes them."""
