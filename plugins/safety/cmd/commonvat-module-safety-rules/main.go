// Command commonvat-module-safety-rules is the module safety-rules as a process. A host starts it.
package main

import (
	"github.com/commonvat/commonvat/plugins/safety"
	"github.com/commonvat/commonvat/plugins/sdk"
)

func main() { sdk.Serve(safety.Module()) }
