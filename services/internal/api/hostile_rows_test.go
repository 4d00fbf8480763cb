package api_test

import (
	"database/sql"
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"

	labpb "github.com/commonvat/commonvat/proto/gen/go/commonvat/lab/v1"
)

// tables are the rows of a store, each as the text that has to be explained when the row is new.
type tables struct {
	rows      map[string]map[string]int // table, row, how many
	bodies    map[string]string         // of trials, by id
	revisions map[string]int64          // of trials and baths, by seq: "trial 3"
	audited   map[change]int
	links     map[string][]string // "member source" to the records that its import made
}

// rowKeys is the query of each table for what explains its rows. A table that isn't here fails the test.
var rowKeys = map[string]string{
	"counters":       `SELECT 'counters' FROM counters`,
	"members":        `SELECT id FROM members`,
	"module_choices": `SELECT name FROM module_choices`,
	"packs":          `SELECT module || ' ' || digest FROM packs`,
	"member_roles":   `SELECT member FROM member_roles GROUP BY member`,
	"tokens":         `SELECT id FROM tokens`,
	"entry_ids":      `SELECT hex(id) FROM entry_ids`,
	"trials":         `SELECT hex(id) FROM trials`,
	"pieces":         `SELECT hex(id) FROM pieces`,
	"baths":          `SELECT hex(id) FROM baths`,
	"water_sources":  `SELECT hex(id) FROM water_sources`,
	"experiments":    `SELECT hex(id) FROM experiments`,
	"immersions":     `SELECT hex(bath) || ' ' || hex(piece) FROM immersions`,
	"trial_holders":  `SELECT 'trial ' || trial || ' ' || member FROM trial_holders`,
	"trial_terms":    `SELECT 'trial ' || trial || ' ' || field || ' ' || value FROM trial_terms`,
	"bath_terms":     `SELECT 'bath ' || bath || ' ' || field || ' ' || value FROM bath_terms`,
	"import_links":   `SELECT member || ' ' || source || char(0) || kind || ' ' || key FROM import_links`,
	"requests":       `SELECT member || ' ' || hex(request_id) FROM requests`,
	"feed":           `SELECT revision || ' ' || place FROM feed`,
	"history":        `SELECT next || ' ' || hex(record_id) FROM history`,
	"bench_sheets":   `SELECT hex(plan_id) FROM bench_sheets`,
	"workshops":      `SELECT member FROM workshops`,
	"reserved_codes": `SELECT hex(piece_id) FROM reserved_codes`,
	"runs":           `SELECT hex(id) FROM runs`,
	"run_columns":    `SELECT hex(run) FROM run_columns`,
	"run_trials":     `SELECT hex(run) FROM run_trials`,
	"run_scores":     `SELECT hex(run) FROM run_scores`,
	"audit":          `SELECT coalesce(actor, '') || ' ' || seq FROM audit`,
}

// readTables reads a store's file beside the server that has it open.
func readTables(t *testing.T, path string) tables {
	t.Helper()
	db, err := sql.Open("sqlite", "file:"+path+"?mode=ro")
	require.NoError(t, err)
	defer func() { require.NoError(t, db.Close()) }()
	db.SetMaxOpenConns(1)
	all := tables{rows: map[string]map[string]int{}, bodies: map[string]string{}, revisions: map[string]int64{}, audited: map[change]int{}, links: map[string][]string{}}
	query := func(text string, each func(scan func(...any))) {
		rows, err := db.QueryContext(t.Context(), text)
		require.NoError(t, err, text)
		defer func() { require.NoError(t, rows.Close()) }()
		for rows.Next() {
			each(func(into ...any) { require.NoError(t, rows.Scan(into...)) })
		}
		require.NoError(t, rows.Err())
	}
	query(`SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%' AND name NOT LIKE 'goose_%'`, func(scan func(...any)) {
		var name string
		scan(&name)
		require.Contains(t, rowKeys, name, "nothing says how a row of this table is explained")
		all.rows[name] = map[string]int{}
	})
	for name := range all.rows {
		query(rowKeys[name], func(scan func(...any)) {
			var key string
			scan(&key)
			all.rows[name][key]++
		})
	}
	query(`SELECT hex(id), body, 'trial ' || seq, revision FROM trials UNION ALL SELECT hex(id), body, 'bath ' || seq, revision FROM baths`, func(scan func(...any)) {
		var id, body, seq string
		var revision int64
		scan(&id, &body, &seq, &revision)
		all.bodies[dashed(id)], all.revisions[seq] = body, revision
	})
	query(`SELECT actor, method FROM audit`, func(scan func(...any)) {
		var made change
		scan(&made.actor, &made.method)
		made.method = made.method[strings.LastIndexAny(made.method, "./")+1:]
		all.audited[made]++
	})
	query(`SELECT member || ' ' || source, hex(record_id) FROM import_links WHERE record_id IS NOT NULL`, func(scan func(...any)) {
		var from, id string
		scan(&from, &id)
		all.links[from] = append(all.links[from], dashed(id))
	})
	require.Len(t, all.rows, len(rowKeys))
	return all
}

// dashed is an id as members write it.
func dashed(hexadecimal string) string {
	id, err := uuid.Parse(hexadecimal)
	if err != nil {
		return hexadecimal
	}
	return id.String()
}

// explainImports adds what accepted imports made besides the trials and readings that their answers name: what is in those trials, and
// in the baths of their immersions.
func explainImports(t *testing.T, after tables, total *outcome) {
	t.Helper()
	for from, ids := range after.links {
		if !total.sources[from] {
			continue
		}
		for _, id := range ids {
			total.told[id] = true
			body, ok := after.bodies[id]
			trial := &labpb.Trial{}
			if !ok || proto.Unmarshal([]byte(body), trial) != nil {
				continue // a piece, a session or a bath
			}
			total.strings(trial.ProtoReflect())
			for _, immersion := range trial.GetImmersions() {
				bath := &labpb.Bath{}
				require.NoError(t, proto.Unmarshal([]byte(after.bodies[immersion.GetBathId()]), bath))
				total.strings(bath.ProtoReflect())
			}
		}
	}
}

// explain holds every new row against the changes that were answered with OK.
func explain(t *testing.T, before, after tables, revision int64, total *outcome) {
	t.Helper()
	counts := map[string]int{}
	for table, rows := range after.rows {
		for key, n := range rows {
			added := n - before.rows[table][key]
			if added <= 0 {
				continue
			}
			counts[table] += added
			if why := unexplained(table, key, after, revision, total); why != "" {
				assert.Fail(t, "a row that no accepted change explains", "%s: %q: %s", table, key, why)
			}
		}
	}
	t.Logf("new rows, each explained by an answer: %v", counts)
	assert.Equal(t, len(total.requests), counts["requests"], "a request that was accepted has a row, and no other has")
	// Every accepted change is one entry of the audit. An import of nothing new, the second revocation of a token and a plan that comes to the same
	// sheet change nothing.
	kinds := maps.Clone(total.accepted)
	for kind := range after.audited {
		kinds[kind] += 0
	}
	for _, kind := range slices.SortedFunc(maps.Keys(kinds), func(a, b change) int { return strings.Compare(a.method+a.actor, b.method+b.actor) }) {
		entries := after.audited[kind] - before.audited[kind]
		if kind.method == "ImportReadings" || kind.method == "RevokeToken" || kind.method == "PlanTrial" {
			assert.LessOrEqual(t, entries, kinds[kind], "%v in the audit", kind)
			continue
		}
		assert.Equal(t, kinds[kind], entries, "%v in the audit", kind)
	}
}

// unexplained says what is missing of a new row's explanation; "" is nothing.
func unexplained(table, key string, after tables, revision int64, total *outcome) string {
	told := func(ids ...string) string {
		for _, id := range ids {
			if !total.told[dashed(id)] {
				return "no answer told of " + dashed(id)
			}
		}
		return ""
	}
	words := strings.Fields(key)
	switch table {
	case "members", "member_roles", "tokens", "entry_ids", "trials", "pieces", "baths", "water_sources", "experiments", "bench_sheets", "reserved_codes", "runs", "run_columns", "run_trials", "run_scores":
		return told(key)
	case "workshops":
		if total.accepted[change{key, "UpdateWorkshop"}] > 0 {
			return ""
		}
		return "its member kept none"
	case "immersions":
		return told(words...)
	case "trial_holders", "trial_terms", "bath_terms":
		if after.revisions[words[0]+" "+words[1]] > revision {
			return ""
		}
		return "its record wasn't changed"
	case "import_links":
		if from, _, _ := strings.Cut(key, "\x00"); total.sources[from] {
			return ""
		}
		return "no import of this source was accepted"
	case "requests":
		if total.requests[words[0]+" "+dashed(words[1])] {
			return ""
		}
		return "this request was refused, or never made"
	case "feed", "history":
		var at int64
		if _, err := fmt.Sscan(words[0], &at); err == nil && at > revision {
			return ""
		}
		return "of a revision before"
	case "audit":
		return "" // counted by kind
	default:
		return "there may be no more of these"
	}
}
