"""The workbench: the whole job in a browser. Pages show, and pass on what a person says."""
