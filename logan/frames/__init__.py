"""CAN frames and signals as columns, and the decoding of one into the other."""
