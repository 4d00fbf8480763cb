package packs_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"

	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/plugins/sdk/plugintest"
	"github.com/commonvat/commonvat/plugins/sdk/plugintest/echo"
	datav1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/data/v1"
	safetyv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/safety/v1"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/catalog"
	"github.com/commonvat/commonvat/services/internal/catalog/catalogtest"
	"github.com/commonvat/commonvat/services/internal/packs"
	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/store/sqlite"
	"github.com/commonvat/commonvat/services/internal/trial"
)

func TestMain(m *testing.M) {
	plugintest.Main(map[string]func(){"plain": func() { sdk.Serve(echo.Module("plain", "1.0.0", sdk.KindPalette, echo.Back)) }, "house": serveHouse})
	os.Exit(m.Run())
}

// house is a safety module whose own data changes with its version, as the manifest has it.
type house struct {
	safetyv1.UnimplementedSafetyServiceServer
	datav1.UnimplementedDataServiceServer
	version string
}

func serveHouse() {
	self, err := os.Executable()
	if err != nil {
		panic(err)
	}
	raw, err := os.ReadFile(filepath.Join(filepath.Dir(self), "module.json"))
	if err != nil {
		panic(err)
	}
	var manifest struct{ Version string }
	if err := json.Unmarshal(raw, &manifest); err != nil {
		panic(err)
	}
	m := echo.Module("house", manifest.Version, sdk.KindSafety, echo.Back)
	m.Describe.Contracts = append(m.Describe.Contracts, pipeline.DataContract)
	h := &house{version: manifest.Version}
	m.Register = func(s *grpc.Server) {
		safetyv1.RegisterSafetyServiceServer(s, h)
		datav1.RegisterDataServiceServer(s, h)
	}
	sdk.Serve(m)
}

func (h *house) ListOwnData(context.Context, *datav1.ListOwnDataRequest) (*datav1.ListOwnDataResponse, error) {
	content := []byte("rules of the house " + h.version)
	return &datav1.ListOwnDataResponse{Data: []*datav1.OwnData{{Sha256: packs.DigestOf(content), Name: "house-rules", Version: h.version, Content: content}}}, nil
}

func (h *house) PutData(_ context.Context, r *datav1.PutDataRequest) (*datav1.PutDataResponse, error) {
	name, version, _ := strings.Cut(string(r.GetContent()), " ")
	if strings.HasPrefix(string(r.GetContent()), "rules of the house ") {
		name, version = "house-rules", strings.TrimPrefix(string(r.GetContent()), "rules of the house ")
	}
	return &datav1.PutDataResponse{Name: name, Version: version}, nil
}

// source lets the pipeline find the modules of a catalog.
type source struct{ *catalog.Catalog }

func (source) Serving(string, string) []string { return nil }

func (s source) Acquire(ref string) (pipeline.Handle, error) {
	h, err := s.Catalog.Acquire(ref)
	if err != nil {
		return nil, err
	}
	return identified{h}, nil
}

type identified struct{ *catalog.Handle }

func (h identified) Identity() *typesv1.ModuleIdentity {
	m := h.Module()
	return &typesv1.ModuleIdentity{Name: m.Name, Version: m.Version, Digest: m.Digest, Kind: m.Kind}
}

// lab is a keeper over a real store, a real folder and real modules.
type lab struct {
	*packs.Keeper
	t       *testing.T
	folder  *packs.Folder
	store   *sqlite.Store
	catalog *catalog.Catalog
	modules string // the folder of installed ones
}

var coco = store.Actor{Member: "coco", Method: "/test"}

func open(t *testing.T, folders ...string) *lab {
	t.Helper()
	l := &lab{t: t, folder: packs.OpenFolder(filepath.Join(t.TempDir(), "packs"))}
	var err error
	l.store, err = sqlite.Open(t.Context(), sqlite.Config{Path: filepath.Join(t.TempDir(), "records.db")})
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, l.store.Close()) })
	l.catalog = catalogtest.Open(t, folders, func(cfg *catalog.Config) {
		cfg.BackoffFirst = 10 * time.Millisecond
		l.modules = cfg.StoreDir
	})
	for _, s := range l.catalog.Status() {
		require.Equal(t, catalog.StateRunning, s.State, s.Reason)
	}
	l.start()
	return l
}

// start makes a new keeper over what there is, as a core that starts does.
func (l *lab) start() {
	l.Keeper = packs.New(packs.Config{
		Folder: l.folder, Rows: l.store, Asker: pipeline.New(source{l.catalog}).WithContents(l.folder),
		Serving: func() (names []string) {
			for _, s := range l.catalog.Status() {
				if s.State == catalog.StateRunning && s.Kind == sdk.KindSafety {
					names = append(names, s.Name)
				}
			}
			return names
		},
	})
}

func (l *lab) inForce(module string) []string {
	l.t.Helper()
	digests, err := l.InForce(l.t.Context(), module)
	require.NoError(l.t, err)
	return digests
}

// safetyModule builds the real one.
func safetyModule(t *testing.T) string {
	t.Helper()
	const program = "../../../plugins/safety/cmd/commonvat-module-safety-rules"
	var manifest struct{ Version string }
	text, err := os.ReadFile(filepath.Join(program, "module.json"))
	require.NoError(t, err)
	require.NoError(t, json.Unmarshal(text, &manifest))
	return catalogtest.Build(t, program, "safety-rules", manifest.Version, sdk.KindSafety)
}

// rule is a pack of one rule; what differs between the tests is given.
func rule(name, version, when, fires, silent string) []byte {
	return fmt.Appendf(nil, `name: %s
version: %s
rules:
  - id: X1
    severity: stop
    harms: person
    topic: vessels
    when: '%s'
    override: never
    title: t
    reason: r
    do: d
    source: a test
    confidence: high
    fires: %s
    silent: %s
`, name, version, when, fires, silent)
}

func sealed(name, version string) []byte {
	return rule(name, version, "vessel.sealed", "{vessel.sealed: true}", "{vessel.sealed: false}")
}

// The real safety module: its own pack is in force from the start; others come in, take each other's place and go, each at once and with its line in the trail.
func TestPacksInForce(t *testing.T) {
	l := open(t, safetyModule(t), plugintest.Folder(t, "plain", "1.0.0", sdk.KindPalette))
	ctx := t.Context()
	own := l.inForce("safety-rules")
	require.Len(t, own, 1)
	content, err := l.folder.Content(own[0])
	require.NoError(t, err)
	assert.Contains(t, string(content), "name: craft-safety", "what the module came with is kept, for answers that name it")

	added, err := l.Add(ctx, coco, "safety-rules", sealed("house", "1.0.0"), "our kettles")
	require.NoError(t, err)
	assert.Equal(t, store.PackRow{
		Module: "safety-rules", Kind: "safety", Digest: packs.DigestOf(sealed("house", "1.0.0")), Name: "house", Version: "1.0.0", Bytes: len(sealed("house", "1.0.0")),
		InForce: true, At: added.At, By: "coco",
	}, added)
	assert.Equal(t, []string{own[0], added.Digest}, l.inForce("safety-rules"), "by name")
	again, err := l.Add(ctx, coco, "safety-rules", sealed("house", "1.0.0"), "our kettles")
	require.NoError(t, err)
	assert.WithinDuration(t, added.At, again.At, time.Microsecond, "nothing was changed")

	_, err = l.Add(ctx, coco, "safety-rules", append(sealed("house", "1.0.0"), "# other bytes\n"...), "")
	require.ErrorIs(t, err, trial.ErrConflict)
	newer, err := l.Add(ctx, coco, "safety-rules", sealed("house", "1.1.0"), "")
	require.NoError(t, err)
	assert.Equal(t, []string{own[0], newer.Digest}, l.inForce("safety-rules"), "a new version takes the place of the old one")
	back, err := l.Activate(ctx, coco, "safety-rules", added.Digest, "1.1.0 was wrong")
	require.NoError(t, err)
	assert.True(t, back.InForce)
	assert.Equal(t, []string{own[0], added.Digest}, l.inForce("safety-rules"))

	for _, digest := range []string{own[0], added.Digest} {
		_, err = l.Retire(ctx, coco, "safety-rules", digest, "away")
		require.NoError(t, err)
	}
	assert.Empty(t, l.inForce("safety-rules"), "nothing is checked")
	_, err = l.Retire(ctx, coco, "safety-rules", own[0], "away")
	require.ErrorIs(t, err, trial.ErrConflict)
	rows, without, err := l.List(ctx)
	require.NoError(t, err)
	assert.Len(t, rows, 3)
	assert.Equal(t, []string{"safety-rules"}, without)

	l.start() // what was chosen stands when the core starts again
	assert.Empty(t, l.inForce("safety-rules"))
	_, err = l.Activate(ctx, coco, "safety-rules", own[0], "back")
	require.NoError(t, err)
	assert.Equal(t, own, l.inForce("safety-rules"))
	row, _, err := l.Get(ctx, "safety-rules", own[0])
	require.NoError(t, err)
	assert.True(t, row.Own, "it is still what the module came with")

	var acts []string
	entries, err := l.store.AuditEntries(ctx, store.AuditQuery{Limit: 100})
	require.NoError(t, err)
	for _, e := range entries {
		acts = append(acts, e.Actor.Member+" "+strings.Join(e.Subjects, " ")+" "+e.Reason)
	}
	version := strings.TrimPrefix(acts[0], "SERVER pack safety-rules came with the module, in force "+own[0]+" safety-rules ")
	assert.Equal(t, []string{
		"SERVER pack safety-rules came with the module, in force " + own[0] + " safety-rules " + version,
		"coco pack safety-rules added " + added.Digest + " our kettles",
		"coco pack safety-rules added " + newer.Digest + " ",
		"coco pack safety-rules activated " + added.Digest + " 1.1.0 was wrong",
		"coco pack safety-rules retired " + own[0] + " away",
		"coco pack safety-rules retired " + added.Digest + " away",
		"coco pack safety-rules activated " + own[0] + " back",
	}, acts)

	for _, module := range []string{"nobody", "safety", own[0]} { // neither a kind nor a digest names a module here
		_, err = l.Add(ctx, coco, module, sealed("house", "9.0.0"), "")
		require.ErrorIs(t, err, trial.ErrNotFound, module)
	}
	_, err = l.Add(ctx, coco, "plain", sealed("house", "9.0.0"), "")
	require.ErrorIs(t, err, trial.ErrConflict, "it takes no data")
	_, _, err = l.Get(ctx, "plain", own[0])
	require.ErrorIs(t, err, trial.ErrNotFound)
	_, err = l.Activate(ctx, coco, "safety-rules", strings.Repeat("0", 64), "")
	require.ErrorIs(t, err, trial.ErrNotFound)
}

// What the module finds wrong doesn't come in, and is told with its place; nothing is kept of it.
func TestPacksThatAreRefused(t *testing.T) {
	l := open(t, safetyModule(t))
	before := l.inForce("safety-rules")
	yes, no := "{vessel.sealed: true}", "{vessel.sealed: false}"
	for name, c := range map[string]struct {
		content []byte
		says    string
	}{
		"no YAML":                      {[]byte("{"), "[1:1]"},
		"doesn't compile":              {rule("x", "1", "vessel.sealed &&", yes, no), "line 4, X1: when: "},
		"no such field":                {rule("x", "1", "vessel.happy", yes, no), "line 4, X1: when: 1:1: undeclared reference"},
		"costs too much":               {rule("x", "1", strings.Repeat("any_of(bath.materials, bath.carryover) || ", 40)+"vessel.sealed", yes, no), "line 4, X1: when: costs up to"},
		"a word the field never has":   {rule("x", "1", `vessel.material == "gold" || vessel.sealed`, yes, no), `line 4, X1: when: vessel.material is never "gold"`},
		"an example that doesn't fire": {rule("x", "1", "vessel.sealed", no, no), "line 4, X1: fires: the example does not do so"},
		"an example that fires":        {rule("x", "1", "vessel.sealed", yes, yes), "line 4, X1: silent: the example does not do so"},
		"a stop that can never fire":   {rule("x", "1", "vessel.sealed && !vessel.sealed", yes, no), "line 4, X1: fires: the example does not do so"},
		"no version":                   {rule("x", "''", "vessel.sealed", yes, no), "version is "},
	} {
		_, err := l.Add(t.Context(), coco, "safety-rules", c.content, "")
		require.ErrorIs(t, err, trial.ErrInvalid, name)
		var fault *trial.FieldFault
		require.True(t, errors.As(err, &fault), name)
		assert.Equal(t, "content", fault.Field, name)
		assert.Contains(t, fault.Text, c.says, name)
		_, err = l.folder.Content(packs.DigestOf(c.content))
		require.Error(t, err, name)
	}
	assert.Equal(t, before, l.inForce("safety-rules"))
	rows, _, err := l.List(t.Context())
	require.NoError(t, err)
	assert.Len(t, rows, 1)
}

// A new build's own data takes the place of the old build's, and goes back with it; where a person chose for the name, that stands.
func TestOwnDataOfNewBuilds(t *testing.T) {
	version := func(v string) string { return plugintest.Folder(t, "house", v, sdk.KindSafety) }
	l := open(t, version("1.0.0"))
	builds := []string{l.catalog.Status()[0].Digest}
	for _, v := range []string{"2.0.0", "3.0.0"} {
		digest, err := catalog.Install(l.modules, version(v))
		require.NoError(t, err)
		builds = append(builds, digest)
	}
	own := func(v string) string { return packs.DigestOf([]byte("rules of the house " + v)) }
	assert.Equal(t, []string{own("1.0.0")}, l.inForce("house"))
	require.NoError(t, l.catalog.Activate(t.Context(), builds[1], nil))
	assert.Equal(t, []string{own("2.0.0")}, l.inForce("house"))
	require.NoError(t, l.catalog.Activate(t.Context(), builds[0], nil))
	assert.Equal(t, []string{own("1.0.0")}, l.inForce("house"))

	_, err := l.Retire(t.Context(), coco, "house", own("1.0.0"), "ours are better")
	require.NoError(t, err)
	require.NoError(t, l.catalog.Activate(t.Context(), builds[2], nil))
	assert.Empty(t, l.inForce("house"), "a person said no")
	rows, _, err := l.List(t.Context())
	require.NoError(t, err)
	assert.Len(t, rows, 3, "and yet it is kept")
	_, err = l.Activate(t.Context(), coco, "house", own("3.0.0"), "")
	require.NoError(t, err)
	assert.Equal(t, []string{own("3.0.0")}, l.inForce("house"))
}

// No more is in force than a call may name; and of those who add at once, all come in.
func TestManyPacks(t *testing.T) {
	l := open(t, plugintest.Folder(t, "house", "1.0.0", sdk.KindSafety))
	var all sync.WaitGroup
	for i := range packs.MaxInForce - 1 {
		all.Go(func() {
			_, err := l.Add(context.Background(), coco, "house", fmt.Appendf(nil, "pack%02d 1.0.0", i), "")
			assert.NoError(t, err)
		})
	}
	all.Wait()
	assert.Len(t, l.inForce("house"), packs.MaxInForce)
	_, err := l.Add(t.Context(), coco, "house", []byte("another 1.0.0"), "")
	require.ErrorIs(t, err, trial.ErrConflict)
	_, err = l.Add(t.Context(), coco, "house", []byte("pack00 1.1.0"), "")
	require.NoError(t, err, "a new version takes the place of the old one")
	assert.Len(t, l.inForce("house"), packs.MaxInForce)
}

// Without the module nothing is known to be in force, and nothing comes in; what is there can still be retired.
func TestModuleDown(t *testing.T) {
	l := open(t, plugintest.Folder(t, "house", "1.0.0", sdk.KindSafety))
	own := l.inForce("house")
	require.NoError(t, l.catalog.Retire("house"))
	_, err := l.InForce(t.Context(), "house")
	require.ErrorIs(t, err, trial.ErrNotFound)
	_, err = l.Add(t.Context(), coco, "house", []byte("pack 1.0.0"), "")
	require.ErrorIs(t, err, trial.ErrNotFound)
	_, err = l.Retire(t.Context(), coco, "house", own[0], "gone")
	require.NoError(t, err)
}

// A store that fails before the choice is kept changes nothing; once it takes changes again, the same is done again.
func TestCommitBeforeForce(t *testing.T) {
	l := open(t, plugintest.Folder(t, "house", "1.0.0", sdk.KindSafety))
	failing := &failingRows{Store: l.store}
	keeper := packs.New(packs.Config{Folder: l.folder, Rows: failing, Asker: pipeline.New(source{l.catalog})})
	own, err := keeper.InForce(t.Context(), "house")
	require.NoError(t, err)
	failing.err = store.ErrUnavailable
	_, err = keeper.Add(t.Context(), coco, "house", []byte("pack 1.0.0"), "")
	require.ErrorIs(t, err, store.ErrUnavailable)
	present, err := keeper.InForce(t.Context(), "house")
	require.NoError(t, err)
	assert.Equal(t, own, present)
	failing.err = nil
	_, err = keeper.Add(t.Context(), coco, "house", []byte("pack 1.0.0"), "")
	require.NoError(t, err)
	present, err = keeper.InForce(t.Context(), "house")
	require.NoError(t, err)
	assert.Len(t, present, 2)
}

// failingRows is the real store, until it is told to fail.
type failingRows struct {
	*sqlite.Store
	err error
}

func (f *failingRows) PutPack(ctx context.Context, by store.Actor, row store.PackRow, act, reason string) error {
	if f.err != nil {
		return f.err
	}
	return f.Store.PutPack(ctx, by, row, act, reason)
}
