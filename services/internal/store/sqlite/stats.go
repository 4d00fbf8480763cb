package sqlite

import (
	"os"
	"sync/atomic"
)

// Stats is how the store fares since it was opened.
type Stats struct {
	SchemaVersion     int64
	QueueDepth        int // changes that wait
	QueueCapacity     int
	LogBytes          int64 // of the write-ahead log
	Groups            uint64
	Changes           uint64 // made durable; requests sent again don't count
	Replays           uint64
	GroupsLost        uint64 // whose changes were then tried each by itself
	BusyErrors        uint64
	CheckpointsFailed uint64
	Damaged           bool // the file was found corrupt; changes are refused
}

type counters struct {
	groups, changes, replays, groupsLost, busyErrors, checkpointsFailed atomic.Uint64
}

// Stats can be asked at any time, and waits for nothing.
func (s *Store) Stats() Stats {
	return Stats{
		SchemaVersion: SchemaVersion, QueueDepth: len(s.queue), QueueCapacity: cap(s.queue), LogBytes: s.logBytes(),
		Groups: s.counters.groups.Load(), Changes: s.counters.changes.Load(), Replays: s.counters.replays.Load(),
		GroupsLost: s.counters.groupsLost.Load(), BusyErrors: s.counters.busyErrors.Load(),
		CheckpointsFailed: s.counters.checkpointsFailed.Load(), Damaged: s.damaged.Load(),
	}
}

// logBytes is 0 where there is no log.
func (s *Store) logBytes() int64 {
	info, err := os.Stat(s.logPath)
	if err != nil {
		return 0
	}
	return info.Size()
}
