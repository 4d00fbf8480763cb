// Package e2e has only tests. They build the real programs once, start them on loopback in temporary folders, and try what
// the README promises. What they start, they end.
package e2e
