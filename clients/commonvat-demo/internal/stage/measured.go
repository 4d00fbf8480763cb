package stage

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
)

// reader is the one member of the core that takes in the measured wool.
const reader = "reader"

// Measured takes in the measured wool spectra of dir by a mapping file, and asks
// which mordant group and which exhaust bath is widest. Nothing of it is kept.
func Measured(ctx context.Context, c Config, dir, mapping string, out io.Writer) (err error) {
	s := &show{Config: c, out: out, tokenDir: filepath.Join(c.DataDir, "tokens")}
	if err := s.start(ctx, reader, "Reader"); err != nil {
		return err
	}
	defer func() { err = errors.Join(err, s.stopCore()) }()
	const source = "wool-spectra"
	for _, question := range [][]string{
		{"import", filepath.Join(dir, "biodyes_lab.csv"), "--join", filepath.Join(dir, "biodyes_spectra.csv"),
			"--mapping", mapping, "--source", source, "--share", "cooperative"},
		{"palette", "--by", "mordant", "--where", `source = "` + source + `"`},
		{"palette", "--by", "exhaust", "--where", `source = "` + source + `"`},
	} {
		if _, err := fmt.Fprintf(out, "\n== commonvat %s\n", question[0]+" "+question[1]+" "+question[2]); err != nil {
			return err
		}
		if err := s.ask(ctx, reader, question...); err != nil {
			return err
		}
	}
	return nil
}
