"""What a drawloom is, what stands in it now, and what may be done to it.

Pure: values in, values out. Every rule of the loom is here, once, and everybody else calls it.
"""
