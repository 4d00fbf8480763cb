package validate

import (
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	accessv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/access/v1"
	catalogv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/catalog/v1"
	labv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
	poolv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/pool/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
)

type (
	fields  = map[protoreflect.Name]check
	reasons = map[protoreflect.Name]string
)

// The reasons for leaving a field unchecked.
const (
	outputOnly = "output only: what a client sends is ignored"
	eitherWay  = "both values are allowed"
	anyFigure  = "every value is allowed"
)

// The limits of one request's lists, as in the comments of the messages.
const (
	maxSessions  = 50
	maxPieces    = 1000
	maxEntries   = 5000
	maxBaths     = 200
	maxBathRows  = 500
	maxImport    = 500
	maxSamples   = 500
	maxSteps     = 50
	maxBlend     = 8
	maxWaters    = 20
	maxExhaust   = 50
	maxCompared  = 20
	maxPosition  = 10_000
	maxPageToken = 1000
	maxFilter    = 2000
	maxPackBytes = 2 << 20
)

// The lists: with a filter, and without.
var (
	filteredList = rules{
		fields:    fields{"page_size": pageSize, "page_token": text(0, maxPageToken), "filter": text(0, maxFilter)},
		unchecked: reasons{"deleted": eitherWay},
	}
	plainList = rules{
		fields:    fields{"page_size": pageSize, "page_token": text(0, maxPageToken)},
		unchecked: reasons{"deleted": eitherWay},
	}
)

func init() {
	add := func(example proto.Message, r rules, variant ...string) {
		descriptor := example.ProtoReflect().Descriptor()
		key := string(descriptor.FullName())
		for _, v := range variant {
			key += "#" + v
		}
		tables[key] = compile(descriptor, r)
		declared[key] = r
	}
	addTypes(add)
	addLab(add)
	addRequests(add)
	addKeeping(add)
	addImport(add)
	addOthers(add)
	addBench(add)
}

// declared are the tables as written, for the test that looks for fields without check or reason.
var declared = map[string]rules{}

type adder func(example proto.Message, r rules, variant ...string)

func addTypes(add adder) {
	add(&typesv1.Amount{}, rules{fields: fields{
		"knowledge": requiredEnum, "value": number(0, 1e6), "unit": enum, "note": text(0, 200),
	}, whole: typed(amount)})
	add(&typesv1.ClaimedTime{}, rules{fields: fields{
		"time": instant(true), "precision": requiredEnum, "utc_offset_minutes": integer(-1080, 1080),
	}})
	add(&typesv1.Correction{}, rules{fields: fields{"entry_id": reference, "reason": text(1, 500)}})
	add(&typesv1.FibrePart{}, rules{fields: fields{"fibre": name(1, 40), "percent": above(0, 100)}})
	add(&typesv1.Fibre{}, rules{fields: fields{
		"composition": list(1, maxBlend), "form": text(0, 40), "finish": text(0, 40), "lot": text(0, 80),
	}, whole: typed(fibre)})
	add(&typesv1.Sharing{}, rules{
		fields: fields{"level": enum, "licence": text(0, 60)}, unchecked: reasons{"since": outputOnly},
		whole: typed(sharing),
	})
	add(&typesv1.ColourCondition{}, rules{fields: fields{"illuminant": requiredEnum, "observer": requiredEnum}})
	add(&typesv1.Lab{}, rules{fields: fields{"l": number(0, 150), "a": number(-200, 200), "b": number(-200, 200)}})
	add(&typesv1.Spectrum{}, rules{fields: fields{
		"start_nm": number(300, 830), "step_nm": amongNumbers(5, 10, 20), "reflectance": numbers(8, 200, 0, 2),
	}})
	add(&typesv1.RawColour{}, rules{
		fields: fields{"spectrum": maybe, "lab": maybe, "lab_condition": maybe}, whole: typed(rawColour),
	})
}

func addLab(add adder) {
	recorded := func(more reasons) reasons {
		all := reasons{"superseded": outputOnly, "record_time": outputOnly, "recorded_by": outputOnly}
		for field, why := range more {
			all[field] = why
		}
		return all
	}
	add(&labv1.Trial{}, rules{fields: fields{
		"id": newID, "title": text(1, 120), "question": text(0, 500), "state": enum, "abandoned_reason": text(0, 500), "sharing": maybe,
		"sessions": list(0, maxSessions), "pieces": list(0, maxPieces), "immersions": list(0, maxEntries),
		"looks": list(0, maxEntries), "readings": list(0, maxEntries), "judgements": list(0, maxEntries),
	}, unchecked: reasons{
		"owner": outputOnly, "import_source": outputOnly, "create_time": outputOnly, "update_time": outputOnly,
		"revision": outputOnly, "warnings": outputOnly, "etag": outputOnly, "delete_time": outputOnly,
	}, whole: typed(wholeTrial)})
	add(&labv1.Session{}, rules{fields: fields{
		"id": newID, "experiment_id": maybeReference, "begun": maybe, "note": text(0, 500),
	}})
	add(&labv1.PieceOrigin{}, rules{fields: fields{
		"parent_piece_id": reference, "kind": requiredEnum, "after_position": integer(0, maxPosition),
	}})
	add(&labv1.PieceCorrection{}, rules{
		fields: fields{"piece_id": reference, "mass": maybe, "label": text(0, 80), "fibre": maybe, "reason": text(1, maxReason)},
		unchecked: reasons{
			"mass_before": outputOnly, "label_before": outputOnly, "fibre_before": outputOnly, "record_time": outputOnly, "recorded_by": outputOnly,
		},
		whole: typed(func(w *walk, p *path, m *labv1.PieceCorrection) {
			atLeastOne(w, p, m.ProtoReflect(), "mass", "label", "fibre")
			inUnit(w, p.of("mass"), m.GetMass(), typesv1.AmountUnit_AMOUNT_UNIT_GRAM)
		}),
	})
	add(&labv1.Piece{}, rules{fields: fields{
		"id": newID, "label": text(0, 80), "session_id": maybeReference, "fibre": maybe, "mass": required,
		"weighing_basis": enum, "balance_resolution_g": number(0.0001, 1000), "origin": maybe,
	}, unchecked: reasons{
		"trial_id": outputOnly, "code": outputOnly, "holder": outputOnly, "ended": outputOnly, "last_position": outputOnly, "route": outputOnly,
		"corrections": outputOnly, "history_not_stated": eitherWay,
	}, whole: typed(piece)})
	add(&labv1.Immersion{}, rules{fields: fields{
		"id": newID, "piece_id": reference, "bath_id": reference, "position": integer(1, maxPosition), "exhaust": integer(0, maxExhaust),
		"dips": integer(0, 100), "intended_depth": enum, "entered": maybe, "left": maybe, "note": text(0, 500), "corrects": maybe,
	}, unchecked: recorded(nil), whole: typed(immersion)})
	add(&labv1.Look{}, rules{fields: fields{
		"id": newID, "piece_id": maybeReference, "bath_id": maybeReference, "text": text(1, 1000), "at": maybe, "corrects": maybe,
	}, unchecked: recorded(nil), whole: typed(look)})
	add(&labv1.Reading{}, rules{fields: fields{
		"id": newID, "piece_id": reference, "raw": required, "specular": enum, "geometry": text(0, 20), "instrument": text(0, 80),
		"state": enum, "age_days": integer(0, 100_000), "at": maybe, "corrects": maybe, "after_position": integer(0, maxPosition),
	}, unchecked: recorded(nil)})
	add(&labv1.Judgement{}, rules{fields: fields{
		"id": newID, "first_piece_id": reference, "second_piece_id": reference, "quality": requiredEnum, "choice": enum, "grey_scale_step": number(1, 5),
		"light": text(0, 80), "at": maybe, "corrects": maybe, "first_after_position": integer(0, maxPosition), "second_after_position": integer(0, maxPosition),
	}, unchecked: recorded(reasons{"blind": eitherWay}), whole: typed(judgement)})
	add(&labv1.Bath{}, rules{fields: fields{
		"id": newID, "label": text(1, 80), "vessel": text(0, 80), "purposes": enums(0), "blank_of": name(0, 60), "liquor": maybe,
		"water_parts": list(0, maxWaters), "additions": list(0, maxBathRows), "checks": list(0, maxBathRows), "sharing": maybe,
	}, unchecked: reasons{
		"owner": outputOnly, "create_time": outputOnly, "update_time": outputOnly, "revision": outputOnly, "etag": outputOnly, "delete_time": outputOnly,
		"contents_not_stated": eitherWay, "exhaust_number_not_stated": eitherWay, "exhaust_not_stated": eitherWay, "open_to_members": eitherWay,
	}, whole: typed(bath)})
	add(&labv1.WaterPart{}, rules{fields: fields{
		"water_source_id": reference, "water_sample_id": maybeReference, "parts": above(0, 1e6),
	}})
	add(&labv1.Addition{}, rules{fields: fields{
		"id": newID, "material": name(1, 60), "role": requiredEnum, "lot": text(0, 80), "amount": required,
		"exhaust": integer(0, maxExhaust), "at": maybe, "corrects": maybe, "density_kg_per_l": number(0.5, 3),
	}, unchecked: recorded(nil)})
	add(&labv1.Check{}, rules{fields: fields{
		"id": newID, "ph": number(0, 14), "temperature_c": number(-5, 130), "exhaust": integer(0, maxExhaust), "at": maybe,
		"note": text(0, 500), "corrects": maybe,
	}, unchecked: recorded(nil), whole: typed(bathCheck)})
	add(&labv1.WaterSample{}, rules{fields: fields{
		"id": newID, "taken": maybe, "hardness_mg_per_l": number(0, 5000), "alkalinity_mg_per_l": number(0, 5000),
		"ph": number(0, 14), "iron_mg_per_l": number(0, 500), "corrects": maybe,
	}, unchecked: recorded(nil)})
	add(&labv1.WaterSource{}, rules{fields: fields{
		"id": newID, "name": text(1, 60), "kind": text(0, 40), "place": text(0, 200), "samples": list(0, maxSamples),
	}, unchecked: reasons{
		"owner": outputOnly, "create_time": outputOnly, "update_time": outputOnly, "revision": outputOnly, "etag": outputOnly, "delete_time": outputOnly,
		"common": eitherWay, "place_shown": eitherWay,
	}})
	add(&labv1.Experiment{}, rules{fields: fields{
		"id": newID, "title": text(1, 120), "first_dye": name(0, 60), "second_dye": name(0, 60), "arms": enums(0),
		"tolerance_de00": above(0, 20), "closing_sessions": integer(6, 200), "instrument": text(1, 80), "condition": required,
		"asks": enum, "water_source_ids": eachOnce(0, maxCompared, checkReference), "values": eachOnce(0, maxCompared, checkValue), "water_figure": enum,
	}, unchecked: reasons{
		"owner": outputOnly, "create_time": outputOnly, "update_time": outputOnly, "revision": outputOnly, "etag": outputOnly, "delete_time": outputOnly,
	}, whole: typed(newExperiment)})
}

func addRequests(add adder) {
	add(&labv1.SubmitTrialRequest{}, rules{
		fields:    fields{"request_id": reference, "trial": required, "baths": list(0, maxBaths)},
		unchecked: reasons{"validate_only": eitherWay},
	})
	add(&labv1.GetTrialRequest{}, rules{fields: fields{"trial_id": reference}})
	add(&labv1.ListTrialsRequest{}, filteredList)
	add(&labv1.AddEntriesRequest{}, rules{fields: fields{
		"request_id": reference, "trial_id": reference, "sessions": list(0, maxSessions), "pieces": list(0, maxPieces),
		"immersions": list(0, maxEntries), "looks": list(0, maxEntries), "readings": list(0, maxEntries), "judgements": list(0, maxEntries),
		"piece_corrections": list(0, maxPieces), "etag": etagMaybe,
	}})
	add(&labv1.SetTrialStateRequest{}, rules{fields: fields{
		"request_id": reference, "trial_id": reference, "state": requiredEnum, "abandoned_reason": text(0, maxReason), "etag": etagMaybe,
	}, whole: typed(func(w *walk, p *path, m *labv1.SetTrialStateRequest) {
		abandoned(w, p, m.GetState(), m.GetAbandonedReason())
	})})
	add(&labv1.ShareTrialRequest{}, rules{
		fields: fields{"request_id": reference, "trial_id": reference, "sharing": required, "etag": etagMaybe},
		whole: typed(func(w *walk, p *path, m *labv1.ShareTrialRequest) {
			if m.GetSharing() != nil && m.GetSharing().GetLevel() == 0 {
				w.fault(p.of("sharing").of("level"), "is required")
			}
		}),
	})
	add(&labv1.GetPieceRequest{}, rules{fields: fields{"piece": pieceName}})
	add(&labv1.PostPieceRequest{}, rules{fields: fields{"request_id": reference, "piece_id": reference, "to_member": member}})
	add(&labv1.WatchChangesRequest{}, rules{fields: fields{"after_revision": integer(-1, 1<<62)}})
	add(&labv1.CreateBathRequest{}, rules{fields: fields{"request_id": reference, "bath": required}})
	add(&labv1.GetBathRequest{}, rules{fields: fields{"bath_id": reference}})
	add(&labv1.ListBathsRequest{}, filteredList)
	add(&labv1.AddToBathRequest{}, rules{
		fields: fields{
			"request_id": reference, "bath_id": reference, "additions": list(0, maxBathRows), "checks": list(0, maxBathRows),
			"etag": etagMaybe,
		}, unchecked: reasons{"open_to_members": eitherWay},
	})
	add(&labv1.CreateWaterSourceRequest{}, rules{fields: fields{"request_id": reference, "water_source": required}})
	add(&labv1.GetWaterSourceRequest{}, rules{fields: fields{"water_source_id": reference}})
	add(&labv1.ListWaterSourcesRequest{}, plainList)
	add(&labv1.AddWaterSampleRequest{}, rules{fields: fields{
		"request_id": reference, "water_source_id": reference, "sample": required, "etag": etagMaybe,
	}})
	add(&labv1.CreateExperimentRequest{}, rules{fields: fields{"request_id": reference, "experiment": required}})
	add(&labv1.GetExperimentRequest{}, rules{fields: fields{"experiment_id": reference}})
	add(&labv1.ListExperimentsRequest{}, plainList)
}

// addImport: the rows of an import are refused one by one, so the request checks only
// how many there are, and the handler checks each row by its own table.
func addImport(add adder) {
	add(&labv1.ImportReadingsRequest{}, rules{
		fields:    fields{"source": text(1, 80), "rows": length(1, maxImport), "sharing": maybe},
		unchecked: reasons{"update": eitherWay},
	})
	add(&labv1.ImportRow{}, rules{fields: fields{
		"row_number": integer(0, 1<<31-1), "row_key": text(1, 120), "piece_key": text(0, 120), "label": text(0, 80), "fibre": required,
		"baths": list(0, maxSteps), "reading": requiredAs("import"), "session_key": text(0, 120),
	}})
	add(&labv1.ImportBath{}, rules{fields: fields{
		"purposes": enums(0), "additions": listAs(0, maxBathRows, "import"), "exhaust": integer(0, maxExhaust), "dips": integer(0, 100),
		"intended_depth": enum, "bath_key": text(0, 80), "water_source_id": maybeReference,
	}, unchecked: reasons{
		"contents_not_stated": eitherWay, "exhaust_number_not_stated": eitherWay, "exhaust_not_stated": eitherWay,
	}, whole: typed(importBath)})
	const core = "the core chooses it"
	add(&labv1.Addition{}, rules{fields: fields{
		"id": empty(core), "material": name(1, 60), "role": requiredEnum, "lot": text(0, 80), "amount": required,
		"exhaust": integer(0, maxExhaust), "at": maybe, "corrects": empty("an import replaces with update"), "density_kg_per_l": number(0.5, 3),
	}, unchecked: reasons{"superseded": outputOnly, "record_time": outputOnly, "recorded_by": outputOnly}}, "import")
	add(&labv1.Reading{}, rules{fields: fields{
		"id": empty(core), "piece_id": empty("the row says which piece it is"), "raw": required, "specular": enum, "geometry": text(0, 20),
		"instrument": text(0, 80), "state": enum, "age_days": integer(0, 100_000), "at": maybe, "corrects": empty("an import replaces with update"),
		"after_position": integer(0, maxPosition),
	}, unchecked: reasons{"superseded": outputOnly, "record_time": outputOnly, "recorded_by": outputOnly}}, "import")
}

func addOthers(add adder) {
	add(&poolv1.AskPaletteRequest{}, rules{fields: fields{
		"group_by": requiredEnum, "filter": text(0, maxFilter), "experiment_id": maybeReference, "condition": maybe,
		"threshold_de00": numberOrZero(0.1, 100), "equal_number": integer(0, 10_000), "minimum_revision": integer(0, 1<<62),
	}, unchecked: reasons{"seed": anyFigure}})
	add(&poolv1.ComparePiecesRequest{}, rules{fields: fields{
		"reference_piece": pieceName, "sample_piece": pieceName, "formula": oneOf("ciede2000", "cie76", "cie94_textile", "cie94_graphic_arts", "cmc"), "condition": maybe,
		"k_l": numberOrZero(0.1, 10), "k_c": numberOrZero(0.1, 10), "k_h": numberOrZero(0.1, 10),
	}, whole: typed(comparePieces)})
	add(&poolv1.PredictOverdyeRequest{}, rules{fields: fields{
		"first_piece": maybePieceName, "first_colour": maybe, "first_dye": text(0, 60), "fibre": text(0, 60), "mordant": text(0, 200), "second_dye": name(1, 60),
		"second_depth": oneOf("pale", "medium", "deep"), "second_piece": maybePieceName, "substrate_piece": maybePieceName, "radius_share": numberOrZero(0.5, 0.99),
		"condition": maybe, "minimum_revision": integer(0, 1<<62),
	}, unchecked: reasons{"ask_order": eitherWay}, whole: typed(predictOverdye)})
	add(&poolv1.GetPoolStatusRequest{}, rules{unchecked: reasons{"with_checksum": eitherWay}})
	add(&catalogv1.ListModulesRequest{}, rules{})
	digest := matching(moduleDigest, "64 hexadecimal digits in lower case")
	moduleName := matching(moduleNames, "the name of a module: lower-case letters, digits and single hyphens, beginning with a letter, at most 40")
	why := text(0, 500)
	add(&catalogv1.ListBuildsRequest{}, rules{})
	add(&catalogv1.GetBuildReportRequest{}, rules{fields: fields{"digest": digest}})
	add(&catalogv1.ActivateModuleRequest{}, rules{fields: fields{"digest": digest, "reason": why}, unchecked: reasons{"make_default": eitherWay}})
	add(&catalogv1.SetDefaultModuleRequest{}, rules{fields: fields{"name": moduleName, "reason": why}})
	add(&catalogv1.RetireModuleRequest{}, rules{fields: fields{"name": moduleName, "reason": why}})
	add(&catalogv1.RollBackModuleRequest{}, rules{fields: fields{"name": moduleName, "reason": why}})
	add(&catalogv1.LiftQuarantineRequest{}, rules{fields: fields{"name": moduleName, "reason": why}})
	add(&catalogv1.ListPacksRequest{}, rules{})
	add(&catalogv1.GetPackRequest{}, rules{fields: fields{"module": moduleName, "sha256": digest}})
	add(&catalogv1.AddPackRequest{}, rules{fields: fields{"module": moduleName, "content": size(1, maxPackBytes), "reason": why}})
	add(&catalogv1.ActivatePackRequest{}, rules{fields: fields{"module": moduleName, "sha256": digest, "reason": why}})
	add(&catalogv1.RetirePackRequest{}, rules{fields: fields{"module": moduleName, "sha256": digest, "reason": text(1, maxReason)}})
	addRuns(add)
	add(&accessv1.GetCurrentMemberRequest{}, rules{})
	add(&accessv1.ListMembersRequest{}, rules{})
	add(&accessv1.CreateMemberRequest{}, rules{fields: fields{"member": required}})
	add(&accessv1.Member{}, rules{
		fields:    fields{"id": member, "display_name": text(1, 80), "roles": enums(1)},
		unchecked: reasons{"create_time": outputOnly},
	})
	add(&accessv1.IssueTokenRequest{}, rules{fields: fields{
		"member_id": member, "label": text(0, 80), "expire_time": instant(false),
	}})
	add(&accessv1.ListTokensRequest{}, rules{fields: fields{"member_id": maybeMember}})
	add(&accessv1.ListAuditEntriesRequest{}, rules{fields: fields{
		"after_sequence": integer(0, 1<<62), "page_size": pageSize, "actor": maybeMember,
	}})
	add(&accessv1.RevokeTokenRequest{}, rules{fields: fields{"token_id": matching(tokenID, "a token's public part of 16 characters")}})
}
