// Package config turns the daemon's YAML file into typed settings. It is a leaf:
// it knows no other part of the program, and only the daemon reads it.
//
// Every mistake in a file is found in one reading and reported with its line and
// column, because a person at a machine should not have to correct a file one
// error at a time. A setting that could hurt someone or spoil a lot when it is
// meant otherwise (a unit, a sign, a missing limit) is refused, not guessed.
package config
