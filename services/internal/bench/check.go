package bench

import (
	"context"
	"fmt"
	"slices"
	"strings"

	benchpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/bench/v1"
	mordantv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/mordant/v1"
	"github.com/commonvat/commonvat/services/internal/access"
	"github.com/commonvat/commonvat/services/internal/record"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// The bounds of modules' contracts that a plan as a whole could pass.
const (
	maxDyes   = 4
	maxFibres = 8
)

// checker gathers what parts of a plan say against each other.
type checker struct {
	*draft
	faults trial.Faults
	labels map[string]bool // of pieces
	names  map[string]bool // of the baths above
	day    int32           // of the bath above that tells one
}

func (c *checker) fault(field, format string, args ...any) {
	c.faults = append(c.faults, &trial.FieldFault{Field: "plan." + field, Text: fmt.Sprintf(format, args...)})
}

// check finds what a look at each field alone can't.
func (d *draft) check() error {
	c := &checker{draft: d, labels: map[string]bool{}, names: map[string]bool{}}
	c.pieces()
	for i, b := range d.plan.GetBaths() {
		at := fmt.Sprintf("baths[%d].", i)
		c.bath(at, b)
		c.vat(at, b)
		c.doses(at, b)
	}
	c.mordant()
	if n := len(d.dyestuffs()); n > maxDyes {
		c.fault("baths", "have %d dyestuffs; allowed: at most %d in one plan", n, maxDyes)
	}
	if len(c.faults) > 0 {
		return c.faults
	}
	return nil
}

func (c *checker) pieces() {
	for i, p := range c.plan.GetPieces() {
		if c.labels[p.GetLabel()] {
			c.fault(fmt.Sprintf("pieces[%d].label", i), "%q is another piece's already", p.GetLabel())
		}
		if p.GetTakenFrom() != "" && p.GetTakenFrom() == p.GetId() {
			c.fault(fmt.Sprintf("pieces[%d].taken_from", i), "is the piece itself")
		}
		c.labels[p.GetLabel()] = true
	}
	if n := len(c.fibres()); n > maxFibres {
		c.fault("pieces", "are of %d fibres; allowed: 1 to %d", n, maxFibres)
	}
}

// bath is its name, its pieces, its day and its vessel, and which bath it is the exhaust of.
func (c *checker) bath(at string, b *benchpb.PlanBath) {
	if c.names[b.GetName()] {
		c.fault(at+"name", "%q is another bath's already", b.GetName())
	}
	for k, label := range b.GetPieces() {
		if !c.labels[label] || slices.Index(b.GetPieces(), label) != k {
			c.fault(fmt.Sprintf("%spieces[%d]", at, k), "%q is no label of a piece of this plan, or stands twice", label)
		}
	}
	if before := b.GetExhaustOf(); before != "" {
		if !c.names[before] {
			c.fault(at+"exhaust_of", "%q is no bath that stands before this one", before)
		}
	} else if len(b.GetUptakes()) > 0 {
		c.fault(at+"uptakes", "are given, and exhaust_of is not")
	}
	c.names[b.GetName()] = true
	if b.GetDay() > 0 {
		if b.GetDay() < c.day {
			c.fault(at+"day", "%d is before the day of a bath above, %d", b.GetDay(), c.day)
		}
		c.day = b.GetDay()
	}
	c.knownVessel(at+"vessel", b.GetVessel())
}

func (c *checker) knownVessel(field, name string) {
	if name != "" && len(c.workshop.GetVessels()) > 0 && c.vessel(name) == nil {
		c.fault(field, "%q is no vessel of the workshop; it has %s", name, strings.Join(c.vessels(), ", "))
	}
}

// vat is what only a vat has, and what a blank of one can't have.
func (c *checker) vat(at string, b *benchpb.PlanBath) {
	if b.GetVat() == "" && b.GetIndigoGPerL() > 0 {
		c.fault(at+"indigo_g_per_l", "is given, and vat is not")
	}
	if b.GetBlankOf() != "" {
		if b.GetVat() != "" {
			c.fault(at+"vat", "is given with blank_of; allowed: none, since a vat by its name holds indigo; tell what the blank holds as doses")
		}
		for k, dose := range b.GetDoses() {
			if dose.GetDyestuff() {
				c.fault(fmt.Sprintf("%sdoses[%d].dyestuff", at, k), "is true with blank_of; allowed: no dyestuff in a blank bath")
			}
		}
	}
	if b.GetVat() == "" && b.GetIndigoByActiveDye() {
		c.fault(at+"indigo_by_active_dye", "is given, and vat is not: of a dose, form and purity_percent say it")
	}
	if b.GetVat() != "" && b.GetKind() != benchpb.BathKind_BATH_KIND_VAT {
		c.fault(at+"vat", "is given, and kind is not a vat: what holds for vats would be passed over")
	}
	if b.GetVat() != "" && b.GetIndigoGPerL() == 0 {
		c.fault(at+"indigo_g_per_l", "is required for a vat; allowed: above 0, at most 1000")
	}
}

// doses are of one material each, and go by none that stands below.
func (c *checker) doses(at string, b *benchpb.PlanBath) {
	seen := map[string]bool{}
	if b.GetVat() != "" {
		seen["indigo"] = true
	}
	for k, dose := range b.GetDoses() {
		if seen[dose.GetMaterial()] {
			c.fault(fmt.Sprintf("%sdoses[%d].material", at, k), "%q is in this bath already", dose.GetMaterial())
		}
		if of := dose.GetPartsOf().GetOf(); dose.GetPartsOf() != nil && !seen[of] {
			c.fault(fmt.Sprintf("%sdoses[%d].parts_of.of", at, k), "%q is no material that stands before this one", of)
		}
		seen[dose.GetMaterial()] = true
	}
}

func (c *checker) mordant() {
	wish := c.plan.GetMordant()
	if wish == nil {
		return
	}
	if len(c.dyestuffs()) == 0 {
		c.fault("mordant", "is given, and no bath has a dyestuff")
	}
	c.knownVessel("mordant.vessel", wish.GetVessel())
	c.knownVessel("mordant.modifier.vessel", wish.GetModifier().GetVessel())
}

// fibres are those of all pieces, in the order in which they first stand.
func (d *draft) fibres() (names []string) { return fibresOf(d.plan.GetPieces()) }

func fibresOf(pieces []*benchpb.PlanPiece) (names []string) {
	for _, p := range pieces {
		for _, f := range p.GetComposition() {
			if !contains(names, f.GetFibre()) {
				names = append(names, f.GetFibre())
			}
		}
	}
	return names
}

// dyestuffs are those of the dye baths and vats, in the order in which they first go on.
func (d *draft) dyestuffs() (dyes []*mordantv1.Dyestuff) {
	add := func(name, class string) {
		if !slices.ContainsFunc(dyes, func(other *mordantv1.Dyestuff) bool { return other.GetName() == name }) {
			dyes = append(dyes, &mordantv1.Dyestuff{Name: name, DyeClass: class})
		}
	}
	for _, b := range d.plan.GetBaths() {
		for _, one := range dyesOf(b) {
			add(one[0], one[1])
		}
	}
	return dyes
}

// dyesOf are the dyestuffs of a bath with their classes. In one that colours and marks none it is the first material, but for a blank.
func dyesOf(b *benchpb.PlanBath) (dyes [][2]string) {
	if b.GetBlankOf() != "" {
		return nil
	}
	if b.GetVat() != "" {
		dyes = append(dyes, [2]string{"indigo", ""})
	}
	for _, dose := range b.GetDoses() {
		if dose.GetDyestuff() {
			dyes = append(dyes, [2]string{dose.GetMaterial(), dose.GetDyeClass()})
		}
	}
	colours := b.GetKind() == benchpb.BathKind_BATH_KIND_DYE || b.GetKind() == benchpb.BathKind_BATH_KIND_VAT
	if len(dyes) == 0 && colours && len(b.GetDoses()) > 0 {
		dyes = append(dyes, [2]string{b.GetDoses()[0].GetMaterial(), b.GetDoses()[0].GetDyeClass()})
	}
	return dyes
}

// history is what the fibre of a plan has met before.
type history struct {
	materials []string
	// unknown names the pieces of which not everything is known.
	unknown []string
}

// earlier reads the routes of pieces that others are taken from. Errors: trial.ErrNotFound, also for a piece that the member may not read.
func (b *Bench) earlier(ctx context.Context, member trial.MemberID, plan *benchpb.Plan) (h history, err error) {
	add := func(material string) {
		if !contains(h.materials, material) {
			h.materials = append(h.materials, material)
		}
	}
	for _, p := range plan.GetPieces() {
		for _, m := range p.GetEarlierMaterials() {
			add(m)
		}
		if p.GetTakenFrom() == "" {
			continue
		}
		piece, err := b.piece(ctx, member, p.GetTakenFrom())
		if err != nil {
			return h, err
		}
		known := !piece.Route.NotStated
		for _, layer := range piece.Route.Layers {
			known = known && !layer.ContentsNotStated
			for _, m := range layer.Materials {
				add(m.Material)
			}
		}
		if !known {
			h.unknown = append(h.unknown, p.GetLabel())
		}
	}
	return h, nil
}

func (b *Bench) piece(ctx context.Context, member trial.MemberID, name string) (*trial.Piece, error) {
	missing := fmt.Errorf("piece %.40s: %w", name, trial.ErrNotFound)
	ref, err := b.store.TrialOfPiece(ctx, name)
	if err != nil {
		return nil, err
	}
	row, err := b.store.TrialRow(ctx, ref.TrialID)
	if err != nil {
		return nil, err
	}
	view := access.ViewOfTrial(row, member)
	if view == access.Nothing {
		return nil, missing
	}
	t, err := record.DecodeTrial(row.Body)
	if err != nil {
		return nil, err
	}
	for i := range t.Pieces {
		if t.Pieces[i].ID == ref.PieceID && (view == access.All || t.Pieces[i].Holder == member) {
			return &t.Pieces[i], nil
		}
	}
	return nil, missing
}
