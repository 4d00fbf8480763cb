// Package sandbox starts a module's executable with less power than its host has.
//
// The host starts its own program again. That copy finds what it must do in an environment variable before its main begins,
// and never comes that far: it opens the module's executable, hashes it through the descriptor and compares, gives up what a
// module doesn't need, and executes the file behind that same descriptor. There is no moment at which another file could
// take the place of the one that was hashed.
//
// The launcher works in this package's init and not in a function for main to call, because a program that forgot to call
// it would start itself again and again instead of its module.
//
// What holds a module: no_new_privs, an empty set of capabilities, resource limits, Landlock for files, TCP, abstract sockets
// and signals, and a seccomp filter for all else that Landlock has no word for. Landlock is the wall for files; the filter
// names what is refused and lets the rest through, since a language's runtime may need a call that nobody thought of.
// [Policy.Report] says what holds on a given kernel and what doesn't.
package sandbox
