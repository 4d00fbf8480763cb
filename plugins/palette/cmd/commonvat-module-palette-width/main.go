// Command commonvat-module-palette-width is the module palette-width as a process. A host starts it.
package main

import (
	"github.com/commonvat/commonvat/plugins/palette"
	"github.com/commonvat/commonvat/plugins/sdk"
)

func main() { sdk.Serve(palette.Module()) }
