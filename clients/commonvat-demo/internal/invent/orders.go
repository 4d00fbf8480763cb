package invent

import (
	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
)

// orderRun is one run of pots in the making: alum for all, then the first dye pot, the vat, and the dye pot again, on three days.
type orderRun struct {
	*maker
	t                        *tray
	dye                      string
	sixArms                  bool
	p                        pots
	alum, first, vat, second *labv1.Bath
	blankVat, blankPot       *labv1.Bath // only of six arms
}

// orderSession makes up one run of pots. Every coloured pot carries plain pieces.
func (m *maker) orderSession(member string, e *labv1.Experiment, water string, sixArms bool) *tray {
	r := &orderRun{maker: m, dye: e.FirstDye, sixArms: sixArms, t: &tray{member: member, session: &labv1.Session{Id: m.id(), ExperimentId: e.Id, Begun: m.day(0)}}}
	r.p = m.accidents("first pot", "vat", "second pot")
	r.setUp(water)
	for _, c := range cloths {
		r.dyeCloth(c)
	}
	r.charge()
	r.watch()
	return r.t
}

func (r *orderRun) setUp(water string) {
	r.alum = r.bath(r.t, "alum pot", water, 6, labv1.BathPurpose_BATH_PURPOSE_MORDANT)
	r.first = r.bath(r.t, r.dye+" pot, first day", water, 4, labv1.BathPurpose_BATH_PURPOSE_DYE)
	r.vat = r.bath(r.t, "vat, second day", water, 8, labv1.BathPurpose_BATH_PURPOSE_VAT)
	r.second = r.bath(r.t, r.dye+" pot, third day", water, 4, labv1.BathPurpose_BATH_PURPOSE_DYE)
	if r.sixArms {
		r.blankVat = r.bath(r.t, "vat without indigo", water, 4, labv1.BathPurpose_BATH_PURPOSE_VAT)
		r.blankVat.BlankOf = "indigo"
		r.blankPot = r.bath(r.t, "pot without "+r.dye, water, 3, labv1.BathPurpose_BATH_PURPOSE_DYE)
		r.blankPot.BlankOf = r.dye
	}
}

func (r *orderRun) firstDay(depth float64) dose {
	return dose{dye: r.dye, pot: "first pot", depth: depth}
}
func (r *orderRun) secondDay(depth float64) dose {
	return dose{dye: "indigo", pot: "vat", depth: depth}
}
func (r *orderRun) thirdDay(depth float64) dose {
	return dose{dye: r.dye, pot: "second pot", depth: depth}
}

// dyeCloth takes one cloth through the days, a part for each arm and depth.
func (r *orderRun) dyeCloth(c cloth) {
	mother := r.whole(r.t, c, 60)
	white := r.part(r.t, mother, labv1.OriginKind_ORIGIN_KIND_TAKEN, 0, c.fibre+" white", 4)
	r.read(r.t, white, r.curve(c, r.p, nil))
	r.dip(r.t, mother, r.alum, 1, 0, 0, labv1.Depth_DEPTH_UNSPECIFIED)
	kind := labv1.OriginKind_ORIGIN_KIND_TAKEN
	mass := 5.0
	if c.fibre == "silk" { // the whole hank is torn up: the parts must make up the hank
		kind = labv1.OriginKind_ORIGIN_KIND_SPLIT
		mass = 56.0 / 7
		if r.sixArms {
			mass = 56.0 / 9
		}
	}
	part := func(label string) *labv1.Piece { return r.part(r.t, mother, kind, 1, c.fibre+" "+label, mass) }
	r.bothOrders(c, part)
	r.plainPieces(c, part)
	if r.sixArms {
		r.blanks(c, part)
	}
}

func (r *orderRun) bothOrders(c cloth, part func(string) *labv1.Piece) {
	for _, d := range []struct {
		depth labv1.Depth
		dips  int32
		dose  float64
		word  string
	}{{labv1.Depth_DEPTH_PALE, 1, 0.35, "pale"}, {labv1.Depth_DEPTH_DEEP, 4, 1.3, "deep"}} {
		ab := part(r.dye + " then indigo, " + d.word)
		r.dip(r.t, ab, r.first, 1, 0, 0, labv1.Depth_DEPTH_MEDIUM)
		r.dip(r.t, ab, r.vat, 2, d.dips, 1, d.depth)
		r.read(r.t, ab, r.curve(c, r.p, []dose{r.firstDay(1), r.secondDay(d.dose)}))

		ba := part("indigo then " + r.dye + ", " + d.word)
		r.dip(r.t, ba, r.vat, 1, d.dips, 1, d.depth)
		r.dip(r.t, ba, r.second, 2, 0, 2, labv1.Depth_DEPTH_MEDIUM)
		r.read(r.t, ba, r.curve(c, r.p, []dose{r.secondDay(d.dose), r.thirdDay(1)}))
	}
}

func (r *orderRun) plainPieces(c cloth, part func(string) *labv1.Piece) {
	plain := part(r.dye + " alone, first day")
	r.dip(r.t, plain, r.first, 1, 0, 0, labv1.Depth_DEPTH_MEDIUM)
	r.read(r.t, plain, r.curve(c, r.p, []dose{r.firstDay(1)}))
	plain = part(r.dye + " alone, third day")
	r.dip(r.t, plain, r.second, 1, 0, 2, labv1.Depth_DEPTH_MEDIUM)
	r.read(r.t, plain, r.curve(c, r.p, []dose{r.thirdDay(1)}))
	plain = part("indigo alone")
	r.dip(r.t, plain, r.vat, 1, 2, 1, labv1.Depth_DEPTH_MEDIUM)
	r.read(r.t, plain, r.curve(c, r.p, []dose{r.secondDay(0.8)}))
}

func (r *orderRun) blanks(c cloth, part func(string) *labv1.Piece) {
	blank := part(r.dye + " then the vat without indigo")
	r.dip(r.t, blank, r.first, 1, 0, 0, labv1.Depth_DEPTH_MEDIUM)
	r.dip(r.t, blank, r.blankVat, 2, 4, 1, labv1.Depth_DEPTH_UNSPECIFIED)
	r.read(r.t, blank, r.curve(c, r.p, []dose{r.firstDay(1), {dye: "indigo", pot: "vat", depth: 1.3, blank: true}}))
	blank = part("indigo then the pot without " + r.dye)
	r.dip(r.t, blank, r.vat, 1, 2, 1, labv1.Depth_DEPTH_MEDIUM)
	r.dip(r.t, blank, r.blankPot, 2, 0, 2, labv1.Depth_DEPTH_UNSPECIFIED)
	r.read(r.t, blank, r.curve(c, r.p, []dose{r.secondDay(0.8), {dye: r.dye, pot: "second pot", depth: 1, blank: true}}))
}

// charge puts into the baths what the fibre in them asks for.
func (r *orderRun) charge() {
	r.maker.charge(r.t, r.alum, "alum", labv1.AdditionRole_ADDITION_ROLE_MORDANT, 15)
	r.maker.charge(r.t, r.first, r.dye, labv1.AdditionRole_ADDITION_ROLE_DYE, 100)
	r.maker.charge(r.t, r.second, r.dye, labv1.AdditionRole_ADDITION_ROLE_DYE, 100)
	r.add(r.vat, "indigo", labv1.AdditionRole_ADDITION_ROLE_DYE, grams(8))
	r.add(r.vat, "fructose", labv1.AdditionRole_ADDITION_ROLE_ASSIST, grams(24))
	r.add(r.vat, "lime", labv1.AdditionRole_ADDITION_ROLE_ASSIST, grams(16))
	if r.sixArms {
		r.add(r.blankVat, "fructose", labv1.AdditionRole_ADDITION_ROLE_ASSIST, grams(12))
		r.add(r.blankVat, "lime", labv1.AdditionRole_ADDITION_ROLE_ASSIST, grams(8))
	}
}

// watch takes down what was seen and measured.
func (r *orderRun) watch() {
	ph, temperature := round(10.6+0.2*r.rng.NormFloat64(), 1), round(45+2*r.rng.NormFloat64(), 0)
	r.vat.Checks = append(r.vat.Checks, &labv1.Check{Id: r.id(), Ph: &ph, TemperatureC: &temperature, At: r.day(1)})
	r.look(r.t, &labv1.Look{Of: &labv1.Look_BathId{BathId: r.first.Id}, Text: "after forty minutes the liquor is clear and much paler", At: r.day(0)})
	r.look(r.t, &labv1.Look{Of: &labv1.Look_BathId{BathId: r.vat.Id}, Text: "a coppery skin, the liquor below it yellow-green", At: r.day(1)})
}
