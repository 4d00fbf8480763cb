package archive

import (
	"fmt"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"github.com/commonvat/commonvat/clients/commonvat/internal/words"
	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"google.golang.org/protobuf/reflect/protoreflect"
)

func show(e protoreflect.Enum) string { return words.Show(e) }

// table says what one table is made from: every record of a file.
type table struct {
	name    string
	file    string
	columns []string
	rows    func(s *sheet, line []byte) error
}

// sheets makes the tables from the JSON Lines, reading these again record by record.
func (e *exporting) sheets() error {
	for _, t := range e.tables() {
		err := e.m.fill(tables+t.name+".csv", func(w *writing) error {
			s, err := newSheet(w, t.columns...)
			if err != nil {
				return err
			}
			return lines(filepath.Join(e.m.aside, t.file), func(line []byte, _ int64) error { return t.rows(s, line) })
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// ofTrial makes rows from a trial.
func ofTrial(rows func(s *sheet, t *labv1.Trial) error) func(*sheet, []byte) error {
	return func(s *sheet, line []byte) error {
		t := &labv1.Trial{}
		if err := decode(line, t); err != nil {
			return err
		}
		return rows(s, t)
	}
}

func ofBath(rows func(s *sheet, b *labv1.Bath) error) func(*sheet, []byte) error {
	return func(s *sheet, line []byte) error {
		b := &labv1.Bath{}
		if err := decode(line, b); err != nil {
			return err
		}
		return rows(s, b)
	}
}

func ofWater(rows func(s *sheet, w *labv1.WaterSource) error) func(*sheet, []byte) error {
	return func(s *sheet, line []byte) error {
		w := &labv1.WaterSource{}
		if err := decode(line, w); err != nil {
			return err
		}
		return rows(s, w)
	}
}

func cols(text string) []string { return strings.Fields(text) }

// tables are all tables. Wavelengths of spectra are columns, those that occur.
func (e *exporting) tables() []table {
	nm := make([]float64, 0, len(e.nm))
	for w := range e.nm {
		nm = append(nm, w)
	}
	slices.Sort(nm)
	readings := cols("trial_id reading_id piece_id piece_code after_position state age_days at at_precision l a b condition")
	readings = append(readings, cols("specular geometry instrument corrects reason superseded record_time recorded_by")...)
	for _, w := range nm {
		readings = append(readings, "r"+strconv.FormatFloat(w, 'f', -1, 64)+"nm")
	}
	const entry = " corrects reason superseded record_time recorded_by"
	return []table{
		{"trials", trialsFile, cols("trial_id title question state abandoned_reason sharing licence import_source sessions pieces immersions looks readings judgements create_time update_time delete_time"), ofTrial(trialRow)},
		{"sessions", trialsFile, cols("trial_id session_id experiment_id begun begun_precision note"), ofTrial(sessionRows)},
		{"pieces", trialsFile, cols("trial_id piece_id code label session_id fibre form finish lot mass mass_g mass_note weighing_basis balance_resolution_g origin parent_piece_id after_position history_not_stated holder ended route order last_position corrections"), ofTrial(pieceRows)},
		{"immersions", trialsFile, cols("trial_id immersion_id piece_id piece_code bath_id position exhaust dips intended_depth entered entered_precision left left_precision note" + entry), ofTrial(immersionRows)},
		{"looks", trialsFile, cols("trial_id look_id piece_id piece_code bath_id text at at_precision" + entry), ofTrial(lookRows)},
		{"readings", trialsFile, readings, ofTrial(func(s *sheet, t *labv1.Trial) error { return readingRows(s, t, nm) })},
		{"judgements", trialsFile, cols("trial_id judgement_id first_piece_id first_piece_code first_after_position second_piece_id second_piece_code second_after_position quality choice grey_scale_step light blind at at_precision" + entry), ofTrial(judgementRows)},
		{"baths", bathsFile, cols("bath_id own owner label vessel purposes blank_of liquor liquor_l liquor_note water contents_not_stated exhaust_number_not_stated exhaust_not_stated open_to_members sharing licence create_time update_time delete_time"), ofBath(e.bathRow)},
		{"additions", bathsFile, cols("bath_id addition_id material role lot amount value unit amount_note exhaust at at_precision" + entry + " density_kg_per_l"), ofBath(additionRows)},
		{"checks", bathsFile, cols("bath_id check_id ph temperature_c exhaust at at_precision note" + entry), ofBath(checkRows)},
		{"waters", watersFile, cols("water_source_id own owner name kind place place_shown common samples create_time update_time delete_time"), ofWater(e.waterRow)},
		{"samples", watersFile, cols("water_source_id sample_id taken taken_precision hardness_mg_per_l alkalinity_mg_per_l ph iron_mg_per_l" + entry), ofWater(sampleRows)},
	}
}

func trialRow(s *sheet, t *labv1.Trial) error {
	return s.add(t.GetId(), t.GetTitle(), t.GetQuestion(), show(t.GetState()), t.GetAbandonedReason(), show(t.GetSharing().GetLevel()), t.GetSharing().GetLicence(),
		t.GetImportSource(), len(t.GetSessions()), len(t.GetPieces()), len(t.GetImmersions()), len(t.GetLooks()), len(t.GetReadings()), len(t.GetJudgements()),
		stamp(t.GetCreateTime()), stamp(t.GetUpdateTime()), stamp(t.GetDeleteTime()))
}

func sessionRows(s *sheet, t *labv1.Trial) error {
	for _, x := range t.GetSessions() {
		at, precision := claimed(x.GetBegun())
		if err := s.add(t.GetId(), x.GetId(), x.GetExperimentId(), at, precision, x.GetNote()); err != nil {
			return err
		}
	}
	return nil
}

func codesOf(t *labv1.Trial) map[string]string {
	codes := make(map[string]string, len(t.GetPieces()))
	for _, p := range t.GetPieces() {
		codes[p.GetId()] = p.GetCode()
	}
	return codes
}

func pieceRows(s *sheet, t *labv1.Trial) error {
	for _, p := range t.GetPieces() {
		var blend []string
		for _, part := range p.GetFibre().GetComposition() {
			blend = append(blend, part.GetFibre()+" "+cell(part.GetPercent())+" %")
		}
		origin := "whole"
		if p.GetOrigin() != nil {
			origin = show(p.GetOrigin().GetKind())
		}
		basis := ""
		if p.GetWeighingBasis() != 0 {
			basis = show(p.GetWeighingBasis())
		}
		knowledge, value, _, note := amount(p.GetMass())
		var corrections []string
		for _, c := range p.GetCorrections() {
			corrections = append(corrections, stamp(c.GetRecordTime())+" "+c.GetReason())
		}
		f := p.GetFibre()
		err := s.add(t.GetId(), p.GetId(), p.GetCode(), p.GetLabel(), p.GetSessionId(), strings.Join(blend, ", "), f.GetForm(), f.GetFinish(), f.GetLot(),
			knowledge, value, note, basis, p.BalanceResolutionG, origin, p.GetOrigin().GetParentPieceId(), afterOf(p.GetOrigin()), p.GetHistoryNotStated(), p.GetHolder(), p.GetEnded(),
			p.GetRoute().GetText(), p.GetRoute().GetOrder(), p.GetLastPosition(), strings.Join(corrections, "; "))
		if err != nil {
			return err
		}
	}
	return nil
}

func afterOf(o *labv1.PieceOrigin) any {
	if o == nil {
		return nil
	}
	return o.GetAfterPosition()
}

func immersionRows(s *sheet, t *labv1.Trial) error {
	code := codesOf(t)
	for _, x := range t.GetImmersions() {
		in, inPrecision := claimed(x.GetEntered())
		out, outPrecision := claimed(x.GetLeft())
		err := s.add(t.GetId(), x.GetId(), x.GetPieceId(), code[x.GetPieceId()], x.GetBathId(), x.GetPosition(), x.GetExhaust(), x.GetDips(), show(x.GetIntendedDepth()),
			in, inPrecision, out, outPrecision, x.GetNote(), x.GetCorrects().GetEntryId(), x.GetCorrects().GetReason(), x.GetSuperseded(), stamp(x.GetRecordTime()), x.GetRecordedBy())
		if err != nil {
			return err
		}
	}
	return nil
}

func lookRows(s *sheet, t *labv1.Trial) error {
	code := codesOf(t)
	for _, x := range t.GetLooks() {
		at, precision := claimed(x.GetAt())
		err := s.add(t.GetId(), x.GetId(), x.GetPieceId(), code[x.GetPieceId()], x.GetBathId(), x.GetText(), at, precision,
			x.GetCorrects().GetEntryId(), x.GetCorrects().GetReason(), x.GetSuperseded(), stamp(x.GetRecordTime()), x.GetRecordedBy())
		if err != nil {
			return err
		}
	}
	return nil
}

func judgementRows(s *sheet, t *labv1.Trial) error {
	code := codesOf(t)
	for _, x := range t.GetJudgements() {
		at, precision := claimed(x.GetAt())
		choice := ""
		if x.GetChoice() != labv1.JudgedChoice_JUDGED_CHOICE_UNSPECIFIED {
			choice = show(x.GetChoice())
		}
		err := s.add(t.GetId(), x.GetId(), x.GetFirstPieceId(), code[x.GetFirstPieceId()], x.FirstAfterPosition, x.GetSecondPieceId(), code[x.GetSecondPieceId()], x.SecondAfterPosition,
			show(x.GetQuality()), choice, x.GreyScaleStep, x.GetLight(), x.GetBlind(), at, precision,
			x.GetCorrects().GetEntryId(), x.GetCorrects().GetReason(), x.GetSuperseded(), stamp(x.GetRecordTime()), x.GetRecordedBy())
		if err != nil {
			return err
		}
	}
	return nil
}

func readingRows(s *sheet, t *labv1.Trial, nm []float64) error {
	code := codesOf(t)
	for _, x := range t.GetReadings() {
		at, precision := claimed(x.GetAt())
		var l, a, b any
		if lab := x.GetRaw().GetLab(); lab != nil {
			l, a, b = lab.GetL(), lab.GetA(), lab.GetB()
		}
		specular := ""
		if x.GetSpecular() != typesv1.SpecularMode_SPECULAR_MODE_UNSPECIFIED {
			specular = show(x.GetSpecular())
		}
		cells := []any{
			t.GetId(), x.GetId(), x.GetPieceId(), code[x.GetPieceId()], x.AfterPosition, show(x.GetState()), x.AgeDays, at, precision, l, a, b,
			words.ShowCondition(x.GetRaw().GetLabCondition()), specular, x.GetGeometry(), x.GetInstrument(),
			x.GetCorrects().GetEntryId(), x.GetCorrects().GetReason(), x.GetSuperseded(), stamp(x.GetRecordTime()), x.GetRecordedBy(),
		}
		at0 := len(cells)
		cells = append(cells, make([]any, len(nm))...)
		spectrum := x.GetRaw().GetSpectrum()
		for i, factor := range spectrum.GetReflectance() {
			if column, ok := slices.BinarySearch(nm, spectrum.GetStartNm()+float64(i)*spectrum.GetStepNm()); ok {
				cells[at0+column] = factor
			}
		}
		if err := s.add(cells...); err != nil {
			return err
		}
	}
	return nil
}

func (e *exporting) bathRow(s *sheet, b *labv1.Bath) error {
	var purposes, water []string
	for _, p := range b.GetPurposes() {
		purposes = append(purposes, show(p))
	}
	for _, part := range b.GetWaterParts() {
		one := fmt.Sprintf("%s of %s", cell(part.GetParts()), part.GetWaterSourceId())
		if part.GetWaterSampleId() != "" {
			one += " sample " + part.GetWaterSampleId()
		}
		water = append(water, one)
	}
	knowledge, value, _, note := amount(b.GetLiquor())
	return s.add(b.GetId(), b.GetOwner() == e.me, b.GetOwner(), b.GetLabel(), b.GetVessel(), strings.Join(purposes, ", "), b.GetBlankOf(), knowledge, value, note,
		strings.Join(water, "; "), b.GetContentsNotStated(), b.GetExhaustNumberNotStated(), b.GetExhaustNotStated(), b.GetOpenToMembers(),
		show(b.GetSharing().GetLevel()), b.GetSharing().GetLicence(), stamp(b.GetCreateTime()), stamp(b.GetUpdateTime()), stamp(b.GetDeleteTime()))
}

func additionRows(s *sheet, b *labv1.Bath) error {
	for _, x := range b.GetAdditions() {
		knowledge, value, unit, note := amount(x.GetAmount())
		at, precision := claimed(x.GetAt())
		err := s.add(b.GetId(), x.GetId(), x.GetMaterial(), show(x.GetRole()), x.GetLot(), knowledge, value, unit, note, x.GetExhaust(), at, precision,
			x.GetCorrects().GetEntryId(), x.GetCorrects().GetReason(), x.GetSuperseded(), stamp(x.GetRecordTime()), x.GetRecordedBy(), x.DensityKgPerL)
		if err != nil {
			return err
		}
	}
	return nil
}

func checkRows(s *sheet, b *labv1.Bath) error {
	for _, x := range b.GetChecks() {
		at, precision := claimed(x.GetAt())
		err := s.add(b.GetId(), x.GetId(), x.Ph, x.TemperatureC, x.GetExhaust(), at, precision, x.GetNote(),
			x.GetCorrects().GetEntryId(), x.GetCorrects().GetReason(), x.GetSuperseded(), stamp(x.GetRecordTime()), x.GetRecordedBy())
		if err != nil {
			return err
		}
	}
	return nil
}

func (e *exporting) waterRow(s *sheet, w *labv1.WaterSource) error {
	return s.add(w.GetId(), w.GetOwner() == e.me, w.GetOwner(), w.GetName(), w.GetKind(), w.GetPlace(), w.GetPlaceShown(), w.GetCommon(), len(w.GetSamples()),
		stamp(w.GetCreateTime()), stamp(w.GetUpdateTime()), stamp(w.GetDeleteTime()))
}

func sampleRows(s *sheet, w *labv1.WaterSource) error {
	for _, x := range w.GetSamples() {
		at, precision := claimed(x.GetTaken())
		err := s.add(w.GetId(), x.GetId(), at, precision, x.HardnessMgPerL, x.AlkalinityMgPerL, x.Ph, x.IronMgPerL,
			x.GetCorrects().GetEntryId(), x.GetCorrects().GetReason(), x.GetSuperseded(), stamp(x.GetRecordTime()), x.GetRecordedBy())
		if err != nil {
			return err
		}
	}
	return nil
}
