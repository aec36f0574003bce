"""Pure colour: encoded and linear light, glasses and their published matrices."""
