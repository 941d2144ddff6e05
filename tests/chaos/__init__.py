"""Kills everything that can be killed under load, and recounts what is left: nothing lost, nothing counted twice."""
