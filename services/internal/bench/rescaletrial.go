package bench

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"

	benchpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
	bathscalev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/bathscale/v1"
	"github.com/commonvat/commonvat/services/internal/access"
	"github.com/commonvat/commonvat/services/internal/record"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// filling is one use of a recorded bath: fresh, or as exhaust bath n.
type filling struct {
	bath    trial.ID
	exhaust int
	pieces  []*trial.Piece
	dips    int
	minutes float64 // longest that a piece was in it; 0: not known
}

// rescaleTrial carries the baths of a recorded trial over. Its own pieces alone count as their fibre; nothing is held against a rule.
func (b *Bench) rescaleTrial(ctx context.Context, member trial.MemberID, q *benchpb.RescaleTrialRequest) (*benchpb.RescaleTrialResponse, error) {
	row, err := b.store.TrialRow(ctx, q.GetTrialId())
	if err != nil {
		return nil, err
	}
	if access.ViewOfTrial(row, member) != access.All {
		return nil, fmt.Errorf("trial %s: %w", q.GetTrialId(), trial.ErrNotFound)
	}
	if row.Deleted {
		return nil, fmt.Errorf("%w: trial %s is deleted", trial.ErrConflict, q.GetTrialId())
	}
	t, err := record.DecodeTrial(row.Body)
	if err != nil {
		return nil, err
	}
	from, err := wholeMass(t)
	if err != nil {
		return nil, err
	}
	out := &benchpb.RescaleTrialResponse{FromFibreG: from, ToFibreG: q.GetFibreG(), Remarks: []string{
		"these amounts were held against no rule: plan the trial at this size before any fibre is wetted",
		"the trial's own pieces alone are counted as the fibre of its baths; weigh the new fibre as they were weighed",
	}}
	d := &draft{sheet: &benchpb.Sheet{}}
	for _, use := range fillings(t) {
		one, err := b.rescaleFilling(ctx, d, member, use, q.GetFibreG()/from, q.GetLiquorRatio())
		if err != nil {
			return nil, err
		}
		out.Baths = append(out.Baths, one)
	}
	if len(out.GetBaths()) == 0 {
		out.Remarks = append(out.Remarks, "no piece of the trial was in a bath: there is nothing to carry over")
	}
	out.Parts = d.sheet.GetParts()
	return out, nil
}

// wholeMass is that of the pieces that come from no other piece of the trial. Errors: trial.ErrConflict when one isn't known.
func wholeMass(t *trial.Trial) (g float64, err error) {
	own := map[trial.ID]bool{}
	for i := range t.Pieces {
		own[t.Pieces[i].ID] = true
	}
	for i := range t.Pieces {
		p := &t.Pieces[i]
		if own[p.Origin.ParentID] {
			continue
		}
		if !weighed(p.Mass) {
			return 0, fmt.Errorf("%w: the mass of piece %s isn't known: such a trial can be recorded, and not be rescaled", trial.ErrConflict, p.Code)
		}
		g += p.Mass.Value
	}
	if g == 0 {
		return 0, fmt.Errorf("%w: trial %s has no piece", trial.ErrConflict, t.ID)
	}
	return g, nil
}

func weighed(m trial.Amount) bool { return m.Known() && m.Unit == trial.Gram && m.Value > 0 }

// fillings are the baths of a trial in the order in which its pieces went through them.
func fillings(t *trial.Trial) (list []*filling) {
	pieces := map[trial.ID]*trial.Piece{}
	for i := range t.Pieces {
		pieces[t.Pieces[i].ID] = &t.Pieces[i]
	}
	place := map[*filling]int{}
	for i := range t.Immersions {
		im := &t.Immersions[i]
		p := pieces[im.PieceID]
		if im.Superseded || p == nil {
			continue
		}
		at := slices.IndexFunc(list, func(f *filling) bool { return f.bath == im.BathID && f.exhaust == im.Exhaust })
		if at < 0 {
			at = len(list)
			list = append(list, &filling{bath: im.BathID, exhaust: im.Exhaust})
			place[list[at]] = im.Position
		}
		f := list[at]
		place[f] = min(place[f], im.Position)
		f.dips = max(f.dips, im.Dips)
		if exact(im.Entered) && exact(im.Left) {
			f.minutes = max(f.minutes, im.Left.Time.Sub(im.Entered.Time).Minutes())
		}
		if !slices.Contains(f.pieces, p) {
			f.pieces = append(f.pieces, p)
		}
	}
	slices.SortStableFunc(list, func(a, b *filling) int { return cmp.Compare(place[a], place[b]) })
	return list
}

// exact tells of a time that was taken to the minute.
func exact(c trial.ClaimedTime) bool { return c.Precision == trial.ToMinute }

// readable is a bath that a member may read; nil for any other.
func (b *Bench) readable(ctx context.Context, member trial.MemberID, id trial.ID) (*trial.Bath, error) {
	row, err := b.store.BathRow(ctx, id)
	if errors.Is(err, trial.ErrNotFound) {
		return nil, nil //nolint:nilnil // as said
	}
	if err != nil {
		return nil, err
	}
	had, err := b.store.HasPieceIn(ctx, id, member)
	if err != nil || !access.MayReadBath(row, member, had) {
		return nil, err
	}
	return record.DecodeBath(row.Body)
}

func (b *Bench) rescaleFilling(ctx context.Context, d *draft, member trial.MemberID, use *filling, factor, liquorRatio float64) (*benchpb.RescaledBath, error) {
	one := &benchpb.RescaledBath{BathId: use.bath, Name: "a bath that you may not read"}
	for _, p := range use.pieces {
		if !weighed(p.Mass) {
			one.Remarks = append(one.Remarks, fmt.Sprintf("the mass of piece %s isn't known: nothing of this bath is carried over", p.Code))
			use.pieces = nil
			break
		}
		one.FromFibreG += p.Mass.Value
	}
	bath, err := b.readable(ctx, member, use.bath)
	if err != nil {
		return nil, err
	}
	if bath == nil {
		one.FromFibreG = 0
		return one, nil
	}
	one.Name = bath.Label
	if use.exhaust > 0 {
		one.Name = fmt.Sprintf("%s, exhaust bath %d", bath.Label, use.exhaust)
		one.Remarks = append(one.Remarks, "an exhaust bath has what the bath before left in it, which is not carried over: scale that bath, and use it again")
	}
	vat := slices.Contains(bath.Purposes, trial.Vat)
	figures := recorded(bath, use, vat)
	if bath.ContentsNotStated {
		one.Remarks = append(one.Remarks, "not everything that was in it is recorded")
	}
	one.Stays = staysRecorded(bath, use)
	if len(use.pieces) == 0 {
		one.FromFibreG = 0
		for _, f := range figures {
			f.From = nil
		}
		one.Amounts = figures
		return one, nil
	}
	from := &bathscalev1.BathSize{FibreG: one.GetFromFibreG()}
	if l := bath.Liquor; l.Known() && l.Unit == trial.Litre {
		from.VolumeL = l.Value
	}
	to := &bathscalev1.BathSize{FibreG: from.GetFibreG() * factor, VolumeL: from.GetVolumeL() * factor}
	if liquorRatio > 0 {
		to.VolumeL = liquorRatio * to.GetFibreG() / 1000
	}
	if to.GetVolumeL() > maxLitres {
		return nil, trial.Faults{{Field: "fibre_g", Text: fmt.Sprintf("makes %.4g L of bath %.40q; allowed: at most %g", to.GetVolumeL(), one.GetName(), maxLitres)}}
	}
	one.ToFibreG, one.FromVolumeL, one.ToVolumeL = to.GetFibreG(), known64(from.GetVolumeL()), known64(to.GetVolumeL())
	one.Amounts = figures
	return one, b.carry(ctx, d, one, &bathscalev1.RescaleRequest{From: from, To: to, Vat: vat})
}

// recorded are what was put into a bath for one use of it. "A handful" stands among them and has no figure.
func recorded(bath *trial.Bath, use *filling, vat bool) (figures []*benchpb.RescaledAmount) {
	for i := range bath.Additions {
		a := &bath.Additions[i]
		if a.Superseded || a.Exhaust != use.exhaust {
			continue
		}
		f := &benchpb.RescaledAmount{Name: a.Material, Unit: "g", Growth: benchpb.Growth_GROWTH_BY_MASS}
		switch {
		case vat:
			f.Growth = benchpb.Growth_GROWTH_BY_VOLUME
		case a.Role == trial.Assist:
			f.Remark = "carried by mass; what was added for a pH goes by volume"
		}
		v := a.Amount.Value
		switch {
		case !a.Amount.Known():
			f.Remark = "the amount isn't known, and isn't scaled"
			if a.Amount.Note != "" {
				f.Remark = fmt.Sprintf("recorded as %q, which isn't scaled", a.Amount.Note)
			}
		case a.Amount.Unit == trial.Litre:
			v *= 1000
			f.Unit, f.From = "mL", &v
		default:
			f.From = &v
		}
		figures = append(figures, f)
	}
	if use.minutes > 0 {
		figures = append(figures, &benchpb.RescaledAmount{Name: "time in the bath", Unit: "min", Growth: benchpb.Growth_GROWTH_BY_NEITHER, From: &use.minutes})
	}
	return figures
}

// staysRecorded is what was measured or counted of a bath and is the same at every size.
func staysRecorded(bath *trial.Bath, use *filling) (stays []string) {
	for i := range bath.Checks {
		c := &bath.Checks[i]
		if c.Superseded || c.Exhaust != use.exhaust {
			continue
		}
		if c.PH != nil {
			stays = append(stays, fmt.Sprintf("pH %.3g", *c.PH))
		}
		if c.TemperatureC != nil {
			stays = append(stays, fmt.Sprintf("%.4g °C", *c.TemperatureC))
		}
	}
	if use.dips > 0 {
		stays = append(stays, fmt.Sprintf("%d dips", use.dips))
	}
	return stays
}
