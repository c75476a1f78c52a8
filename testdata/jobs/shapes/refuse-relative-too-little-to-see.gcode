; expected: refuse extruder-mode
G28 X Z
M104 S210
G91
G1 X1 E5
G1 X1 E5
