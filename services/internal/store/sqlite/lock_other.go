//go:build !unix

package sqlite

import (
	"errors"
	"os"
)

// lockFile refuses: without a lock two cores could share one file unnoticed.
func lockFile(string) (*os.File, error) {
	return nil, errors.New("this system has no file lock that ends with its process; the store needs one")
}
