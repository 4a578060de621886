"""What the command line says and does, command by command; no physics."""
