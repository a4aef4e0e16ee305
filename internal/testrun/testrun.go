// Package testrun says how much a run of the tests does. One switch, THAWTRAIL_TESTS,
// has three positions:
//
//	(unset)  the plain 'go test ./...': every test, each with as many rounds as find
//	         a plain mistake; the same seeds each time
//	whole    what .ci/run does: every round, each mutant is caught; the same seeds
//	long     what .ci/long does: every round, and new seeds each time
//
// Tests ask Of for their number of rounds and call Check in place of rapid.Check.
// What says itself how much it does (-seeds, -rounds, -flips, RAPID_CHECKS,
// -rapid.seed) is not touched. Only tests import this package.
package testrun

import (
	"flag"
	"fmt"
	"math/rand/v2"
	"net"
	"os"
	"sync"
	"testing"

	"pgregory.net/rapid"
)

// Switch is the name of the environment variable.
const Switch = "THAWTRAIL_TESTS"

// Of is a number of rounds: for a plain run, and for a whole or a long one.
func Of(plain, whole int) int {
	switch os.Getenv(Switch) {
	case "":
		return plain
	case "whole", "long":
		return whole
	}
	panic(Switch + " is '" + os.Getenv(Switch) + "', expected nothing, whole or long")
}

// Rounds is Of with a number of its own for a long run.
func Rounds(plain, whole, long int) int {
	if Long() {
		return long
	}
	return Of(plain, whole)
}

// Long says whether this run draws new seeds.
func Long() bool { return os.Getenv(Switch) == "long" }

// Seed is a fixed seed, or a new one in a long run. Who takes it logs it.
func Seed() uint64 {
	if Long() {
		return rand.Uint64() // #nosec G404 -- a seed of a test, and no secret
	}
	return fixed
}

const fixed = 1

// Check is rapid.Check with a fixed seed, so that a plain run that was green stays
// green. A long run lets rapid draw its seeds; a failure prints the one to repeat.
func Check(t rapid.TB, property func(*rapid.T)) {
	t.Helper()
	fixSeed()
	rapid.Check(t, property)
}

// fixSeed sets rapid's own flag unless a person did: 0 asks rapid for a new seed.
var fixSeed = sync.OnceFunc(func() {
	seed := flag.Lookup("rapid.seed")
	if !Long() && seed.Value.String() == "0" {
		if err := seed.Value.Set("1"); err != nil {
			panic(err) // rapid's flag is a number
		}
	}
})

// Ports that no system hands out by itself: those begin at 32768 on Linux, and at 49152
// elsewhere (RFC 6335).
const lowest, behind = 12_000, 32_000

// Address is one of this machine for what is stopped and started again in a test. No other
// program is given it meanwhile by chance.
func Address(t testing.TB) string {
	t.Helper()
	for range 100 {
		address := fmt.Sprintf("127.0.0.1:%d", lowest+rand.IntN(behind-lowest)) // #nosec G404 -- any will do
		if l, err := net.Listen("tcp", address); err == nil {
			if err := l.Close(); err != nil {
				t.Fatal(err)
			}
			return address
		}
	}
	t.Fatal("no address of this machine is free")
	return ""
}
