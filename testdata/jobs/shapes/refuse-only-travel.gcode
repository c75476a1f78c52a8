; expected: refuse no-part
G28
G1 X5 Y5
M104 S0
