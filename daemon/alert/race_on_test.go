//go:build race

package alert

const underRace = true
