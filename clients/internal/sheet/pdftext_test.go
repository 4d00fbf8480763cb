package sheet_test

import (
	"bytes"
	"compress/zlib"
	"encoding/binary"
	"io"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"unicode/utf16"

	"github.com/stretchr/testify/require"
	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/sfnt"
	"golang.org/x/image/math/fixed"
)

var (
	streams = regexp.MustCompile(`(?s)stream\n(.*?)\nendstream`)
	// The operators Tf (font and its size), Td (place) and Tj (show), ISO 32000-1, 9.3.1, 9.4.2 and 9.4.3.
	operators = regexp.MustCompile(`(?s)/F\S+ ([0-9.]+) Tf|BT ([0-9.-]+) ([0-9.-]+) Td \(((?:[^\\()]|\\.)*)\)\s*Tj`)
)

// shown is a run of text on a page of a PDF, in points from the lower left corner.
type shown struct {
	page       int
	x, y, size float64
	text       string
}

// runsOf reads what the pages of a PDF show, in the order in which it is written. Codes are UTF-16, high byte first, as the fonts of these pages have them.
func runsOf(t *testing.T, pdf []byte) (all []shown) {
	t.Helper()
	page := 0
	for _, m := range streams.FindAllSubmatch(pdf, -1) {
		z, err := zlib.NewReader(bytes.NewReader(m[1]))
		if err != nil {
			continue
		}
		body, err := io.ReadAll(z)
		require.NoError(t, err)
		if !bytes.HasPrefix(body, []byte("0 J\n")) { // a font, or a table of it
			continue
		}
		page++
		size := 0.0
		for _, op := range operators.FindAllSubmatch(body, -1) {
			if len(op[1]) > 0 {
				size = float(t, op[1])
				continue
			}
			raw := []byte(strings.NewReplacer(`\(`, "(", `\)`, ")", `\\`, `\`, `\r`, "\r").Replace(string(op[4])))
			var codes []uint16
			for ; len(raw) > 1; raw = raw[2:] {
				codes = append(codes, binary.BigEndian.Uint16(raw))
			}
			all = append(all, shown{page: page, x: float(t, op[2]), y: float(t, op[3]), size: size, text: string(utf16.Decode(codes))})
		}
	}
	return all
}

func float(t *testing.T, text []byte) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(string(text), 64)
	require.NoError(t, err)
	return v
}

// textOf is the text of a PDF as words with one space between, however they are broken into lines.
func textOf(t *testing.T, pdf []byte) string {
	t.Helper()
	var all []string
	for _, r := range runsOf(t, pdf) {
		all = append(all, r.text)
	}
	return words(strings.Join(all, " "))
}

func words(text string) string { return strings.Join(strings.Fields(text), " ") }

// width of a run in points, as the regular font has it; in the bold one it is no narrower.
func (s shown) width(t *testing.T, face *sfnt.Font) (w float64) {
	t.Helper()
	var buf sfnt.Buffer
	for _, r := range s.text {
		i, err := face.GlyphIndex(&buf, r)
		require.NoError(t, err)
		advance, err := face.GlyphAdvance(&buf, i, fixed.I(1000), font.HintingNone)
		require.NoError(t, err)
		w += float64(advance) / 64 / 1000 * s.size
	}
	return w
}

func regularFont(t *testing.T) *sfnt.Font {
	t.Helper()
	face, err := sfnt.Parse(goregular.TTF)
	require.NoError(t, err)
	return face
}
