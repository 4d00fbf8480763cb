// Package linear tries whether records are linearizable: whether all that concurrent clients were answered, over kills and restarts of the
// core, could have come from one record that does one thing at a time, each between its request and its answer.
//
// The model of a record is a register with an etag and a list, which can be deleted and undeleted (model.go). What a client was not answered may have happened or
// not; where it sends the same request id again, it has happened once, somewhere between the first sending and
// the answer. Histories are checked with github.com/anishathalye/porcupine.
package linear
