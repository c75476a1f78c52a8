//go:build !race

package pace

const underRace = false
