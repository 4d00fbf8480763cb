// Command commonvat-module-difference-deltae is the module difference-deltae as a process. A host starts it.
package main

import (
	"github.com/commonvat/commonvat/plugins/difference"
	"github.com/commonvat/commonvat/plugins/sdk"
)

func main() { sdk.Serve(difference.Module()) }
