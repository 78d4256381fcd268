"""The load of a graphics processor: matrix products through WebGPU (Vulkan, Metal, Direct3D 12), each checked."""
