"""Pictures: geometry worked out here, drawn by SVG macros in the templates, always with the same in words."""
