"""The drawings of the papers, as SVG."""
