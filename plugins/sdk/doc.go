// Package sdk is what the author of a Commonvat module imports. A module is one calculation step in a process of its own:
// it registers the gRPC service of its kind, describes itself, and is otherwise pure: all inputs come in the request,
// nothing is kept between calls, nothing is asked back.
//
// A whole main is ten lines:
//
//	func main() {
//		sdk.Serve(sdk.Module{
//			Describe: width.Describe(),
//			Register: func(s *grpc.Server) {
//				palettev1.RegisterPaletteServiceServer(s, width.NewServer())
//			},
//		})
//	}
//
// What Serve and the mere import of this package take care of:
//
//   - Standard output belongs to the handshake. When the process was started as a module, file descriptor 1 leads to
//     standard error from the first instruction of main, so that a stray print can't break the start.
//   - The module ends when its host ends, whatever way the host ends (the lifeline, see [LifelineEnv]).
//   - A panic in a handler becomes the status Internal with the module's name; the process stays up.
//   - Messages up to [MaxMessageBytes] are taken, larger ones refused with ResourceExhausted.
//   - [log/slog] and [log] write where the host reads, with levels.
//   - A sampled trace is continued: see [StartSpan].
//
// Package sdk/columns takes the stream of rows that palette and compare modules are asked with, sdk/colorimetry is the colour
// science, and sdk/plugintest and sdk/host help to try a module out.
//
// An adapter checks its request before it calculates, with [Violations], and answers InvalidArgument; it never panics on
// bad input. Where its contract leaves open how much a method takes, ResourceExhausted ([Violations.TooMuch]) says that a question is too much for it: the caller hears that,
// with the module's words, and nobody takes it for a fault. It embeds the Unimplemented server of its service, so that a new method does not break it.
//
// Modules in other languages follow the same rules without this package; describe.proto and the constants here are the
// whole contract besides go-plugin's own handshake.
package sdk
