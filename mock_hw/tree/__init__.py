"""The simulated machine as a folder shaped like the kernel's."""
