"""The record of a thickness that is proven: what it rests on, until when it holds, and what ends it."""
