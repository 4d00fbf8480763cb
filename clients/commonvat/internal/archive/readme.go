package archive

import "fmt"

func readme(m *Manifest) string {
	return fmt.Sprintf(`This folder holds what Commonvat keeps for member %q, taken out on %s.

To put it into another core: commonvat export restore FOLDER --dry-run, and then without --dry-run.

One record a line, as JSON with the field names of the interface (whole; these are what is restored):
  trials.jsonl       your trials with sessions, pieces, immersions, looks, readings and judgements; superseded entries too
  baths.jsonl        your baths, and after them those of others in which pieces of yours were ("owner" says whose)
  waters.jsonl       your water sources, and after them those of others that these baths and experiments name
  experiments.jsonl  the experiments that you set
  workshop.jsonl     what you said of your workshop; nothing where you never did
  bench_sheets.jsonl your bench sheets: every revision of each, the newest first. Restoring plans each again, so that what may be done is said by
                     the modules of the core that it comes into: of a sheet its newest plan is restored, and no stop that was overridden
A record with "delete_time" was deleted.

Kept to be read, not restored:
  versions.jsonl     what your records said before: who changed what, when and why, and the whole record as it was
  tokens.jsonl       your tokens, without their secrets, which nobody keeps
  audit.jsonl        what you did, in order, each entry with its checksum

csv/ has the same as tables for spreadsheets (RFC 4180, UTF-8): trials, sessions, pieces, immersions, looks, readings, judgements, baths,
additions, checks, waters, samples. Text that a spreadsheet could take for a formula has an apostrophe before it; numbers are
plain numbers at full precision. Times of the core are in UTC; times that members told are at their own offset, with how
finely they may be read. Colours are as they were measured: L*, a*, b* under the condition beside them, or reflectance factors by wavelength.

manifest.json has the counts and a SHA-256 of every file. A changed .jsonl file is not restored from; a changed table is only told of.

Not in it: records of others that are merely shared with you; pieces of others that you hold, and what you noted of these; the
pool, which is derived. Records were read one after the other, so what changed meanwhile may be in it or not.
`, m.Member, m.MadeTime.Format("2006-01-02 15:04:05 UTC"))
}
