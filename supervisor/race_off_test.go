//go:build !race

package supervisor

const underRace = false
