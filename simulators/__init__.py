"""A physical model of a clamp tool, a controller around it, a front for each protocol, scripted scenarios."""
