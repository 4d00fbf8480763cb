package trial

import "fmt"

// How far the parts of a piece may be off its mass. The first two are common
// practice, no source; the third leaves room for wool's regain of 16 to 18 % (from memory).
const (
	moistureShare       = 0.03 // of the mass: fibre takes up and gives off water between two weighings
	otherBasisShare     = 0.20 // where one was weighed oven dry and the other as it lay in the room
	contradictionFactor = 1.25 // parts that weigh more than this many times the piece can't have come from it
)

// weighing compares a piece with its parts.
type weighing struct {
	whole, parts float64 // grams; parts is what is known of them
	allKnown     bool
	allMeasured  bool // the piece and those parts that are known
	split        bool
	slack        float64 // half a digit of every balance, grams
	share        float64 // for moisture
}

func weigh(p *Piece, parts []*Piece) weighing {
	w := weighing{
		whole: p.Mass.Value, allKnown: p.Mass.Known(), allMeasured: p.Mass.Knowledge == Measured,
		slack: p.BalanceResolutionG / 2, share: moistureShare,
	}
	for _, part := range parts {
		w.split = w.split || part.Origin.Kind == Split
		if !part.Mass.Known() {
			w.allKnown = false
			continue
		}
		w.parts += part.Mass.Value
		w.slack += part.BalanceResolutionG / 2
		w.allMeasured = w.allMeasured && part.Mass.Knowledge == Measured
		if part.Basis != p.Basis && part.Basis != BasisUnstated && p.Basis != BasisUnstated {
			w.share = otherBasisShare
		}
	}
	return w
}

// tooHeavy reports a contradiction: only measured masses can contradict each other.
func (w weighing) tooHeavy() bool {
	return w.allMeasured && w.parts > w.whole*contradictionFactor+2*w.slack
}

// odd says what looks odd, or "".
func (w weighing) odd(p *Piece) string {
	slack := w.slack + w.share*w.whole
	const rounding = 1e-9
	switch {
	case !p.Mass.Known():
		return ""
	case w.parts > w.whole+slack+rounding:
		return fmt.Sprintf("the parts of piece %s weigh %.4g g together, the piece itself %.4g g", name(p), w.parts, w.whole)
	case w.split && w.allKnown && w.parts < w.whole-slack-rounding:
		return fmt.Sprintf("the parts of piece %s weigh only %.4g g together, the piece itself %.4g g", name(p), w.parts, w.whole)
	default:
		return ""
	}
}

// warn writes the warnings of the trials that are written anyway: what looks
// odd in them and was taken down all the same.
func (c *change) warn() error {
	for _, id := range sorted(c.written) {
		t := c.trials[id]
		var warnings []Warning
		done := map[ID]bool{}
		for i := range t.Pieces {
			pieces := []ID{t.Pieces[i].ID}
			if t.Pieces[i].Origin.Kind != Whole {
				pieces = append(pieces, t.Pieces[i].Origin.ParentID)
			}
			for _, piece := range pieces {
				if done[piece] {
					continue
				}
				done[piece] = true
				text, err := c.oddWeight(piece)
				if err != nil {
					return err
				}
				if text != "" {
					warnings = append(warnings, Warning{EntryID: piece, Text: text})
				}
			}
		}
		t.Warnings = warnings
	}
	return nil
}

func (c *change) oddWeight(id ID) (string, error) {
	parts, err := c.partsOf(id)
	if err != nil || len(parts) == 0 {
		return "", err
	}
	_, p, err := c.piece(id)
	if err != nil {
		return "", err
	}
	return weigh(p, parts).odd(p), nil
}
