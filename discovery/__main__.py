import sys

from discovery.cli.main import main

sys.exit(main())
