"""How the class stage is trained: worlds of labelled ground, the network, its stated errors."""
