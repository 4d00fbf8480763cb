// Package host starts one module process and talks to it. It is shared by everything that starts modules: the core's
// catalog, which supervises many, the conformance suite and the command line, which start one and let it go.
//
// A process started here lives in a process group and a socket folder of its own, with an environment that holds only what
// the handshake needs, standard input from the null device, and mutual TLS on its socket. It ends with its host: by the
// lifeline, by the parent-death signal where the system has one, and by [Process.Stop], which always returns.
//
// go-plugin starts and closes the process through a runner of ours, because its own waits for the end of the module's
// standard output and error, which a process that the module left behind can hold open for ever.
package host
