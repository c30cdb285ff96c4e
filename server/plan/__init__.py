"""How to weave it: what the rows ask of the shafts, the model, the work order and its proof. Pure."""
