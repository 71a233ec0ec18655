"""An invented region that runs on one machine: radio world, real agents, real worker, a view."""
