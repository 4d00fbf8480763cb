//go:build !race

package e2e_test

// raced: see raced_test.go.
const raced = false
