package sqlite

import (
	"encoding/hex"
	"fmt"
	"strings"
	"time"

	"github.com/commonvat/commonvat/services/internal/trial"
)

// uuid is a trial.ID in 16 bytes; ordered as the text is.
type uuid [16]byte

// parseID takes the lower-case 36-character form alone, so that an id has one spelling.
func parseID(id trial.ID) (u uuid, ok bool) {
	if len(id) != 36 || id[8] != '-' || id[13] != '-' || id[18] != '-' || id[23] != '-' {
		return u, false
	}
	for at, i := range [16]int{0, 2, 4, 6, 9, 11, 14, 16, 19, 21, 24, 26, 28, 30, 32, 34} {
		high, low := nibble(id[i]), nibble(id[i+1])
		if high > 15 || low > 15 {
			return u, false
		}
		u[at] = high<<4 | low
	}
	return u, true
}

func nibble(c byte) byte {
	switch {
	case c >= '0' && c <= '9':
		return c - '0'
	case c >= 'a' && c <= 'f':
		return c - 'a' + 10
	}
	return 255
}

func mustID(field string, id trial.ID) (uuid, error) {
	u, ok := parseID(id)
	if !ok {
		return u, &trial.FieldFault{Field: field, Text: fmt.Sprintf("%q is not a UUID in its lower-case 36-character form", id)}
	}
	return u, nil
}

func (u uuid) String() string {
	var text [36]byte
	hex.Encode(text[0:8], u[0:4])
	hex.Encode(text[9:13], u[4:6])
	hex.Encode(text[14:18], u[6:8])
	hex.Encode(text[19:23], u[8:10])
	hex.Encode(text[24:36], u[10:16])
	text[8], text[13], text[18], text[23] = '-', '-', '-', '-'
	return string(text[:])
}

// idOf is the text of 16 bytes as kept; "" for none.
func idOf(kept []byte) trial.ID {
	if len(kept) != 16 {
		return ""
	}
	return uuid(kept).String()
}

// fold is how texts are compared without regard to case; SQLite itself folds ASCII only.
func fold(s string) string { return strings.ToLower(s) }

func fromMicros(us int64) time.Time { return time.UnixMicro(us).UTC() }
