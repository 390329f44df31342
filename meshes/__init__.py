"""Solids of the parts: the engine model in, a trimesh body in the part's own frame out. Never sees a state."""
