// Package datafolder says what lies where in a core's data folder. A backup is laid out the same way.
package datafolder

import "path/filepath"

// The names in the folder.
const (
	StoreFile     = "commonvat.db" // the records; "-wal", "-shm" and ".lock" files stand beside it
	ModulesFolder = "modules"      // the store of installed modules, see package catalog
	PacksFolder   = "packs"        // rule packs and tables of facts, see package packs
	// LastBackupFile is a JSON object whose "time" (RFC 3339) is when the last backup was finished.
	LastBackupFile = "last-backup.json"
)

// Store is the path of the records in a data folder.
func Store(data string) string { return filepath.Join(data, StoreFile) }

// Modules is the path of the store of modules in a data folder.
func Modules(data string) string { return filepath.Join(data, ModulesFolder) }

// Packs is the path of the packs in a data folder.
func Packs(data string) string { return filepath.Join(data, PacksFolder) }

// LastBackup is the path of the note of the last backup in a data folder.
func LastBackup(data string) string { return filepath.Join(data, LastBackupFile) }
