package trial

import "slices"

// judge checks a row by itself.
func (im *importing) judge(row *ImportRow) error {
	var f findings
	if len(row.Fibre.Composition) == 0 {
		f.fault("fibre", "is required")
	}
	for i, part := range row.Fibre.Composition {
		if !(part.Percent > 0 && part.Percent <= 100) {
			f.fault(at("fibre", "composition", i)+".percent", "%v is outside 0 (excluded) to 100", part.Percent)
		}
	}
	f.rawColour("reading.raw", row.Reading.Raw)
	f.atMost("baths", len(row.Baths), 50)
	for i := range row.Baths {
		if err := im.judgeBath(&f, at("", "baths", i), &row.Baths[i]); err != nil {
			return err
		}
	}
	if len(f.faults) > 0 {
		return refuse("%s", f.faults.Error())
	}
	return nil
}

func (im *importing) judgeBath(f *findings, where string, b *ImportBath) error {
	for i, purpose := range b.Purposes {
		f.within(at(where, "purposes", i), int(purpose), int(Scour), int(Rinse))
		if slices.Contains(b.Purposes[:i], purpose) {
			f.fault(at(where, "purposes", i), "is there twice")
		}
	}
	if len(b.Purposes) == 0 && !b.ContentsNotStated {
		f.fault(sub(where, "purposes"), "is required, except where contents are not stated")
	}
	f.within(sub(where, "exhaust"), b.Exhaust, 0, MaxExhaust)
	f.within(sub(where, "dips"), b.Dips, 0, MaxDips)
	switch {
	case b.ExhaustNumberNotStated && b.ExhaustNotStated:
		f.fault(sub(where, "exhaust_not_stated"), "contradicts exhaust_number_not_stated")
	case b.ExhaustNumberNotStated && b.Exhaust != 1:
		f.fault(sub(where, "exhaust"), "%d: with exhaust_number_not_stated it is 1", b.Exhaust)
	case b.ExhaustNotStated && b.Exhaust != 0:
		f.fault(sub(where, "exhaust"), "%d: with exhaust_not_stated it is 0", b.Exhaust)
	}
	f.atMost(sub(where, "additions"), len(b.Additions), MaxAdditions)
	for i := range b.Additions {
		a := &b.Additions[i]
		if a.Material == "" {
			f.fault(at(where, "additions", i)+".material", "is required")
		}
		f.within(at(where, "additions", i)+".role", int(a.Role), int(Dye), int(Modifier))
		f.within(at(where, "additions", i)+".exhaust", a.Exhaust, 0, MaxExhaust)
		f.amount(at(where, "additions", i)+".amount", a.Amount, true, Gram, Litre)
	}
	if b.WaterSourceID == "" {
		return nil
	}
	_, wrong, err := nameableWater(im.records, im.member, b.WaterSourceID)
	if wrong != "" {
		f.fault(sub(where, "water_source_id"), "%s", wrong)
	}
	return err
}
