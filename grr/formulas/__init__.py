"""The formulas: arrays in, arrays out, one study or a whole stack of them."""
