// Package conformance tries a module, in whatever language it is written, and reports what it does well and what it doesn't. It starts the
// executable as a host would (package sdk/host) and from then on talks to its socket only. It knows nothing of the calculation: what it
// asks for is what the contracts in proto/commonvat/module say of every module of a kind, and the laws that the module promises.
//
//	report, err := conformance.Run(ctx, conformance.Target{Folder: "my-module"}, conformance.Options{})
//	if err == nil && !report.Passed() {
//		fmt.Print(report)
//	}
//
// A report is for people (String) and for programs (encoding/json, see [Report]). Each step has a name, what was asked, and an outcome:
// passed, failed, excepted, or not tried with the reason. After a failed step the module gets a new process, so that one fault is told
// once. The same seed asks the same questions. The patience (20 s, by Options.Patience) tells what hangs from what doesn't; it is no measure of speed.
//
// # Steps about the process
//
//   - start: within the patience the program prints the handshake line on standard output, listens on a unix socket in the folder that it was
//     given, and answers the health check for "plugin" with SERVING.
//   - describe: Describe is complete by the rules of describe.proto; name, version and kind are those of module.json, if one lies beside
//     the executable; the bytes are the same when asked again and in a second process; every law that is expected of a
//     contract (below) is promised, or excepted with a reason.
//   - contracts: the module serves at least one contract of its kind that this suite knows. If not, the report says which side to upgrade. Where
//     it serves several, each is tried by its own suite; one that is newer than the suite is reported as not tried.
//   - clean exit: told to end, the process ends by itself with status 0 within the patience; no process that it or an earlier one
//     started lives on, also in a session of its own; nothing is left in the folder for sockets; its own folder is as it was.
//   - lifeline: when the pipe named by COMMONVAT_LIFELINE_FD comes to its end, as it does when the host is killed, the process ends.
//   - standard output: over the whole life of every process nothing is on standard output but the handshake line. A module that prints
//     later still serves, and fails here alone.
//
// # Steps about each contract
//
//   - plain questions: sound questions, small and middling, get sound answers: the right number of figures in the right order, all finite
//     and in range, nothing left out.
//   - same answer: the same question gets the same bytes (deterministic encoding), after other questions, in another order, and in a
//     second process. Nothing random but by the seed, no clock, no order of a hash table, nothing kept between calls.
//   - empty question: a request, stream or header with nothing in it is refused.
//   - not a number: NaN and both infinities in every number of a question, of lists in the first and the last, are refused.
//   - out of range: everything that the contract rules out and that one can see in a single request: values outside of ranges, labels that
//     come twice, indexes without a label, columns of unequal length, ids out of order, row counts that are wrong, unknown words.
//   - unknown fields: a field of a later version is passed over without a change to the answer, or refused with INVALID_ARGUMENT.
//   - bytes that are no message: they end that call and no other.
//   - largest question: the largest list that the contract allows, or 20,000 readings, is answered within the patience. More than
//     five seconds are remarked upon.
//   - beyond the limits: one more than allowed, a chunk above 1 MiB; and a message above 16 MiB gets RESOURCE_EXHAUSTED (gRPC's own
//     limit does that) or INVALID_ARGUMENT. The next call is answered.
//   - many calls at once: 16 calls under way together get what they get alone.
//   - calls given up: calls that are cancelled or whose deadline passes after 0 to 60 ms or at parts of the
//     time that the largest question took, and a stream that breaks off after its header. Each
//     time the next call is answered within the patience, and that long after the last the process no longer calculates (processor time from
//     /proc; without it that part is passed over).
//
// "Refused" means the status INVALID_ARGUMENT whose message or google.rpc.BadRequest names the field, by the last part of its path at the
// least, such as "k_l" or "reading_id". In the reading contract a measurement's own fault may stand in its place in the answer; the
// other measurements are then still answered. After refusals a plain question must be answered as before.
//
// Palette version 2 has three steps more: relabellings (a relabelling is scored as the same rows with those groups, when groups move among
// the units of the same block, stratum and cell), scores asked for (those and in that order), default parameters (a parameter set
// to its default changes nothing). Ages and spectra are sent if the description asks for them, some of them not known; they are then held to
// their ranges too.
//
// Compare has a step for each of its further calls: order effect, waters, groups, judgements. Sound questions get sound answers and the same ones again, figures that
// the suite can work out itself are those (differences of means, recipes, shares, votes and their p), a verdict with p comes only at the closing size, and
// what isn't a number or is ruled out is refused. A call that the module doesn't offer is not tried.
//
// The modules of the bench have steps for what they are asked beside their main call. Bathscale: days, water, rescale, schedule; the suite works the figures out itself, from the definitions
// of hardness units, the ratios of masses and volumes, and the ceilings that it tells. Safety: fields, names. Mordant and safety: data, for modules that describe
// the data contract; what no module can use is refused, and data that it was never given is asked for. Days and names may be left out.
//
// # Laws
//
// A law is tried on generated pairs of questions (60, by Options.Trials), small ones first. Two figures agree when they differ by
// no more than the promise's tolerance times the larger of them, or times 1 where both are smaller. "No value" agrees with "no value".
// A broken promise is reported with both questions as protobuf JSON. A promise of a figure that never had a value fails as well, since it
// can't be relied on. Laws are about these figures ("of" in the promise): the formulas of a difference module, which are the
// choices of its parameter "formula", or else ciede2000 and cie76; the scores of palette version 2; of palette version 1 and
// compare the fields of their answers. Of a reading module there is nothing to tell apart.
//
//	                      reading   difference  palette 1, 2  compare   overdye   mordant   bathscale  safety
//	identity                 -      expected         -           -         -         -          -         -
//	symmetry                 -      expected         -        expected     -         -          -         -
//	monotone                 -         -           tried         -         -         -          -         -
//	shift invariant          -       tried         tried       tried       -         -          -         -
//	linear                   -       tried         tried       tried       -         -       expected     -
//	order free            expected  expected     expected     expected  expected  expected      -       tried
//	replication free         -         -         expected     expected  expected     -          -         -
//	unknown never clears     -         -             -           -         -         -          -      expected
//	refused never chosen     -         -             -           -         -      expected      -         -
//	unknown is asked         -         -             -           -         -      expected      -         -
//
// Expected: to be promised, or excepted with a reason, for every figure. Tried: when it is promised. "-": reported as not tried when
// it is promised, which does not fail.
//
//   - identity: a colour held against itself.
//   - symmetry: reference and sample exchanged; for compare the two groups exchanged, which mirrors the verdict and turns the sign of
//     log_ratio.
//   - monotone: one more cell in one group of one block; every figure of every group is at least what it was.
//   - shift invariant: all colours moved by up to 20 in L*, a*, b*.
//   - linear: all L*, a*, b* times 0.5 to 1.5.
//   - order free: rows under other ids, and groups, blocks, strata and cells under other indexes. For compare, groups and blocks
//     keep their order, which means something there. Pairs of a difference request and measurements of a reading request in another order; of a mordant request
//     the fibres, what is at hand and what is refused, and not the dyestuffs; what is asked back and remarked is compared, too.
//   - replication free: every row twice.
//   - unknown never clears: one fact less of each step; every finding that there was is still there, and no less severe.
//   - refused never chosen: a material of some choice is refused; then it is in no choice, neither by itself nor with another in its bath.
//   - unknown is asked: a dyestuff that nobody knows, without its class; it is asked about and nothing is chosen. With one of the classes that the question
//     offers it isn't asked about again.
//
// # What can't be seen from outside
//
// Whether a module reads files, the network or what else its process may reach is not asked here: that is for a sandbox to prevent. Its
// environment is empty but for the handshake, whatever it looks for.
package conformance
