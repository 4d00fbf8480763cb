//go:build ackbeforecommit

// Nothing of this file is in a build without the tag, which the tests of services/e2e/crash alone set.

package sqlite

import "time"

// longBeforeCommit makes it likely that a kill falls between the answer and the commit.
const longBeforeCommit = 20 * time.Millisecond

// beforeCommit answers before the commit: the fault that the crash tests must find.
func (w *writer) beforeCommit(group []*job, answers []answer) {
	w.store.log.Warn("this build acknowledges changes before they are on disk, and is for tests alone")
	for i, j := range group {
		j.answer <- answers[i] // there is room: a job of this group has no answer yet
	}
	time.Sleep(longBeforeCommit)
	for i, j := range group {
		select {
		case answers[i] = <-j.answer: // nobody took it; it is given again after the commit
		default:
		}
	}
}
