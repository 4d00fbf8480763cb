// Command commonvat-module-mordant-craft is the module mordant-craft as a process. A host starts it.
package main

import (
	"github.com/commonvat/commonvat/plugins/mordant"
	"github.com/commonvat/commonvat/plugins/sdk"
)

func main() { sdk.Serve(mordant.Module()) }
