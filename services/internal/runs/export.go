package runs

import (
	"cmp"
	"context"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"

	"github.com/google/uuid"

	catalogv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/catalog/v1"
	columnsv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/columns/v1"
	palettev2 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/palette/v2"
	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/runs/frozen"
)

// How many rows a case of an export has about; a group in a stratum is never cut.
const (
	caseRows            = 100_000
	caseRowsWithSpectra = 20_000
)

// Export gives the columns of a question under pseudonyms, in parts: a summary, then of each case a header and its columns. That it was done is in the audit trail
// before the first of them. Errors: those of pool.Freeze; those of send.
func (r *Runs) Export(ctx context.Context, who Who, request *catalogv1.ExportPoolRequest, send func(*catalogv1.ExportPoolResponse) error) error {
	question, err := r.question(request.GetQuestion(), request.GetWithAges(), request.GetWithSpectra())
	if err != nil {
		return err
	}
	got, err := r.Pool.Freeze(ctx, question)
	if err != nil {
		return err
	}
	names, err := newPseudonyms()
	if err != nil {
		return err
	}
	columns, err := names.of(got.Columns, request.GetQuestion().GetGroupBy())
	if err != nil {
		return err
	}
	what := fmt.Sprintf("%d rows by %s", len(columns.Rows), request.GetQuestion().GetGroupBy())
	if err := r.Store.NotePoolExport(ctx, who.Actor, r.Clock(), what, request.GetReason()); err != nil {
		return err
	}
	size := told(columns)
	if err := send(&catalogv1.ExportPoolResponse{Part: &catalogv1.ExportPoolResponse_Summary{Summary: &catalogv1.ExportSummary{
		Rows: size.GetRows(), Groups: size.GetGroups(), Strata: size.GetStrata(), Sessions: size.GetSessions(),
		PoolRevision: got.Revision, ReadingModule: got.Reading, LeftOut: got.LeftOut,
	}}}); err != nil {
		return err
	}
	return cases(columns, max(request.GetSeed(), 1), func(m *palettev2.ScorePalettesRequest) error {
		return send(&catalogv1.ExportPoolResponse{Part: &catalogv1.ExportPoolResponse_Message{Message: m}})
	})
}

// cases cuts columns into questions of whole groups, each a header and its columns.
func cases(c *frozen.Columns, seed uint64, send func(*palettev2.ScorePalettesRequest) error) error {
	most := caseRows
	if c.Spectra {
		most = caseRowsWithSpectra
	}
	places := c.Places()
	for order := places.Order; len(order) > 0; {
		var rows []int
		n := 0
		for n < len(order) && (n == 0 || len(rows)+len(places.Rows[order[n]]) <= most) {
			rows = append(rows, places.Rows[order[n]]...)
			n++
		}
		order = order[n:]
		slices.Sort(rows)
		labels, chosen := c.Take(rows, nil)
		err := send(&palettev2.ScorePalettesRequest{Part: &palettev2.ScorePalettesRequest_Header{Header: &palettev2.ScoresHeader{
			Condition: told(c).GetCondition(), Labels: &columnsv1.Labels{Groups: labels.Groups, Blocks: labels.Blocks, Strata: labels.Strata, Cells: labels.Cells},
			RowCount: int64(len(chosen)), Seed: seed,
		}}})
		if err != nil {
			return err
		}
		if err := pipeline.ScoredChunks(chosen, c.Ages, c.Spectra, func(columns *palettev2.ScoredColumns) error {
			return send(&palettev2.ScorePalettesRequest{Part: &palettev2.ScorePalettesRequest_Columns{Columns: columns}})
		}); err != nil {
			return err
		}
	}
	return nil
}

// pseudonyms are names by a key that is drawn for one export and kept nowhere: nobody can tell whose they are, nor whether two exports have the same ones.
type pseudonyms struct{ key [32]byte }

func newPseudonyms() (*pseudonyms, error) {
	p := &pseudonyms{}
	if _, err := rand.Read(p.key[:]); err != nil {
		return nil, fmt.Errorf("draw export key: %w", err)
	}
	return p, nil
}

// name is HMAC-SHA256 over the kind and the text, as so many hexadecimal digits.
func (p *pseudonyms) name(kind, text string, digits int) string {
	return hex.EncodeToString(p.mac(kind, text))[:digits]
}

func (p *pseudonyms) mac(kind, text string) []byte {
	mac := hmac.New(sha256.New, p.key[:])
	mac.Write([]byte(kind + "\x00" + text))
	return mac.Sum(nil)
}

// reading is a UUID of version 8, whose bits are its maker's (RFC 9562, 5.8): those of HMAC-SHA256.
func (p *pseudonyms) reading(id uuid.UUID) uuid.UUID {
	out := uuid.UUID(p.mac("reading", id.String())[:16])
	out[6], out[8] = out[6]&0x0f|0x80, out[8]&0x3f|0x80
	return out
}

// of gives columns under pseudonyms, without their trials. Readings come in the order of their new names, cells under new numbers.
func (p *pseudonyms) of(c *frozen.Columns, by poolv1.GroupBy) (*frozen.Columns, error) {
	named := func(kind string, texts []string) []string {
		out := make([]string, len(texts))
		for i, text := range texts {
			if text != "" {
				out[i] = kind + " " + p.name(kind, text, 12)
			}
		}
		return out
	}
	out := &frozen.Columns{Condition: c.Condition, Ages: c.Ages, Spectra: c.Spectra, TrialOf: make([]uint32, len(c.Rows)), Labels: pipeline.Labels{
		Groups: c.Labels.Groups, Blocks: named("session", c.Labels.Blocks), Strata: named("stratum", c.Labels.Strata), Cells: named("cell", c.Labels.Cells),
	}}
	if by == poolv1.GroupBy_GROUP_BY_WATER { // a water's name may be its owner's
		out.Labels.Groups = named("water", c.Labels.Groups)
	}
	blocks := shuffle(out.Labels.Blocks)
	out.Rows = make([]pipeline.Row, len(c.Rows))
	for i, row := range c.Rows {
		row.ReadingID = p.reading(row.ReadingID)
		row.Block = blocks[row.Block]
		out.Rows[i] = row
	}
	return out, out.Sort()
}

// shuffle puts labels in the order of their pseudonyms, "" first, and tells where each went: the order of sessions would tell when each was.
func shuffle(labels []string) (to []uint32) {
	order := make([]int, len(labels))
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(a, b int) int { return cmp.Compare(labels[a], labels[b]) })
	to = make([]uint32, len(labels))
	sorted := make([]string, len(labels))
	for at, from := range order {
		to[from], sorted[at] = uint32(at), labels[from]
	}
	copy(labels, sorted)
	return to
}
