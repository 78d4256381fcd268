"""The simulated machine: heat, cooling, power, supply and their faults."""
