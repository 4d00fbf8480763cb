// Package crash tries what becomes of the record when the core is killed, when the disk is full, read-only or broken, when the
// clock jumps, and when two cores want one file.
//
// TestKilledUnderLoad starts the real core, lets the members of an invented cooperative write, kills the core with SIGKILL at
// a random point, and looks at what is left: every acknowledged write exactly once, every other at most once. What was
// acknowledged is known from a ledger of the test's own, a file, so that the test itself may be killed and carry on
// (COMMONVAT_CRASH_DIR). COMMONVAT_CRASH_SEED repeats a run's choices, COMMONVAT_CRASH_CYCLES says how often to kill.
//
// A kill is not a power cut: what the system had in its page cache outlives the process. That the core waits for the disk
// is asserted by the store's own tests of its settings (synchronous=FULL), not here.
package crash
