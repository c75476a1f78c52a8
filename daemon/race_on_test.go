//go:build race

package main

// underRace: this test binary is slowed down by the race detector.
const underRace = true
