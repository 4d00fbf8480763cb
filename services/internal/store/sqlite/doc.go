// Package sqlite is the storage engine for one core on one machine: SQLite in
// a single file.
//
// There are two handles: one connection that writes, owned by one goroutine (writer.go), and a small pool that only
// reads. The writer takes the changes that wait into one transaction, each in a savepoint of its own, and
// answers after the commit, so that many members share one wait for the disk. Records are kept as one encoded
// row each; the columns and tables beside them are there to find and to guard, and can be made again from the rows.
// Each such row carries a CRC-32C, which is looked at whenever it is read from the file (checksum.go).
//
// Ids are kept as 16 bytes, times as microseconds since 1970 in UTC.
package sqlite
