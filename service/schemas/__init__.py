"""Marshmallow schemas: the only definition of a field at the door."""
