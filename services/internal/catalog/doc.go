// Package catalog keeps the modules of the core: it reads the store of installed modules, starts the active ones as processes
// and supervises them.
//
// The life of a module:
//
//  1. A steward installs a folder ([Install]); it is copied under its digest and never changes afterwards.
//  2. [Open] starts every active module in parallel and returns at once. Records are served with every module dead.
//  3. starting: the checksums are compared, the process is started, shakes hands and describes itself. Whatever goes wrong
//     here is a fault of the module or its installation, so it goes to quarantine without another try (unless it has run
//     before and its bytes are the same, or was only late, as on a busy machine: then it goes to backoff).
//  4. running: callers [Catalog.Acquire] it, call, and release it. It is asked for its health now and then.
//  5. When it ends, freezes, or overruns its calls' deadlines, it is killed with its process group and goes to backoff, and
//     from there to starting again, in a new process with a new socket and new keys.
//  6. quarantined: after too many of those ends in a while. Only [Catalog.Revive], an operator's act, leads out.
//  7. [Catalog.Close] lets calls that are under way finish for a bounded time and ends every process.
package catalog
