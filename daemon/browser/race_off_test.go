//go:build !race

package browser

const underRace = false
