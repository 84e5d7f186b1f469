"""Planning: heat, bending, strips and motors. Arrays and values in, values out."""
