//go:build race

package e2e_test

// raced tells that the tests, and so the core and the command line that they start, have the race detector.
const raced = true
