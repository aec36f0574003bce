"""Pure colour: encoded and linear light, glasses, their matrices, and what is seen through them."""
