"""What the larger commands do once their arguments are read: gather, ask the core, show, keep."""
