//go:build !race

package main

// underRace: see the other file.
const underRace = false
