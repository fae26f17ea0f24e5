"""The camshaft: what its card says, its valve events, its lift curves."""
