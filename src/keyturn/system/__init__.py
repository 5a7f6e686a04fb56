"""Parts joined: the circuit and the breathing, their solver, and the judgement of each part."""
