// Command commonvat-module-bathscale-craft is the module bathscale-craft as a process. A host starts it.
package main

import (
	"github.com/commonvat/commonvat/plugins/bathscale"
	"github.com/commonvat/commonvat/plugins/sdk"
)

func main() { sdk.Serve(bathscale.Module()) }
