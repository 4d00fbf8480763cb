// Package scale has only benchmarks: how the core fares on a record of ten thousand and of a million readings. The data is invented, made
// from a seed through the same commands that members' requests run, and never kept in the tree.
package scale
