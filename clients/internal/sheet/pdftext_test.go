package sheet_test

import (
	"bytes"
	"compress/zlib"
	"io"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

var (
	streams = regexp.MustCompile(`(?s)stream\r?\n(.*?)\r?\nendstream`)
	shown   = regexp.MustCompile(`\(((?:[^\\()]|\\.)*)\)\s*Tj`)
)

// textOf reads the texts that the streams of a PDF show (ISO 32000-1, 9.4.3: the operator Tj), each on a line, escapes resolved.
func textOf(t *testing.T, pdf []byte) string {
	t.Helper()
	var all strings.Builder
	for _, m := range streams.FindAllSubmatch(pdf, -1) {
		body := m[1]
		if z, err := zlib.NewReader(bytes.NewReader(body)); err == nil {
			plain, err := io.ReadAll(z)
			require.NoError(t, err)
			body = plain
		}
		for _, text := range shown.FindAllSubmatch(body, -1) {
			all.WriteString(strings.NewReplacer(`\(`, "(", `\)`, ")", `\\`, `\`, `\r`, "\r").Replace(string(text[1])) + "\n")
		}
	}
	return all.String()
}
