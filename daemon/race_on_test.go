//go:build race

package main

// raceDetector: this test binary is slowed down by the race detector.
const raceDetector = true
