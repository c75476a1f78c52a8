//go:build !race

package main

// raceDetector: see the other file.
const raceDetector = false
