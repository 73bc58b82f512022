"""Who asks, what they may, and the trail that they leave."""
