"""What the machine is: facts, topology, a stable identity."""
