; expected: refuse no-part
; clips
; pegs
