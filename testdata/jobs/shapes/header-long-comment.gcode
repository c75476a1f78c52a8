; expected: accept first=18 last=80 belt=185.200 filament=12.75120
; clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs clips and pegs 
; plant stake clip
G21
G90
M82
M140 S60
M104 S210
G28 ; all axes
M190 S60
M109 S210
;layer 1 of 3
G1 E-1.00000 F2400
G1 Z0.200 F600
G0 X36.000 Y26.000 F9000
G1 E0.00000 F2400
G1 F1800
G1 X58.000 Y26.000 E0.72600
G1 X58.000 Y46.000 E1.38600
G1 X36.000 Y46.000 E2.11200
G1 X36.000 Y26.000 E2.77200
G1 E1.77200 F2400
G0 X40.000 Y30.000 F9000
G1 E2.77200 F2400
G1 F1800
G1 X54.000 Y30.000 E3.23400
G1 X54.000 Y42.000 E3.63000
G1 X40.000 Y42.000 E4.09200
G1 X40.000 Y30.000 E4.48800
G1 E3.48800 F2400
G0 X40.400 Y30.400 F9000
G1 E4.48800 F2400
G1 F1800
G1 X53.600 Y30.400 E4.92360
G1 X53.600 Y41.600 E5.29320
G1 X40.400 Y41.600 E5.72880
G1 X40.400 Y30.400 E6.09840
;layer 2 of 3
G1 E5.09840 F2400
G1 Z0.400 F600
G1 E6.09840 F2400
G1 E5.09840 F2400
G0 X40.000 Y30.000 F9000
G1 E6.09840 F2400
G1 F1800
G1 X54.000 Y30.000 E6.56040
G1 X54.000 Y42.000 E6.95640
G1 X40.000 Y42.000 E7.41840
G1 X40.000 Y30.000 E7.81440
G1 E6.81440 F2400
G0 X40.400 Y30.400 F9000
G1 E7.81440 F2400
G1 F1800
G1 X53.600 Y30.400 E8.25000
G1 X53.600 Y41.600 E8.61960
G1 X40.400 Y41.600 E9.05520
G1 X40.400 Y30.400 E9.42480
;layer 3 of 3
G1 E8.42480 F2400
G1 Z0.600 F600
G1 E9.42480 F2400
G1 E8.42480 F2400
G0 X40.000 Y30.000 F9000
G1 E9.42480 F2400
G1 F1800
G1 X54.000 Y30.000 E9.88680
G1 X54.000 Y42.000 E10.28280
G1 X40.000 Y42.000 E10.74480
G1 X40.000 Y30.000 E11.14080
G1 E10.14080 F2400
G0 X40.400 Y30.400 F9000
G1 E11.14080 F2400
G1 F1800
G1 X53.600 Y30.400 E11.57640
G1 X53.600 Y41.600 E11.94600
G1 X40.400 Y41.600 E12.38160
G1 X40.400 Y30.400 E12.75120
G92 E0
G1 E-1.00000 F2400
G1 Z2.600 F600
G0 X0.000 Y200.000 F6000
M107
M107
M104 S0
M140 S0
M84
