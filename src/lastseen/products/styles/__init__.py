"""How each layer looks in other people's programs: rules made from the palette, written as QML, SLD and KML styles."""

from lastseen.products.styles.qml import qml_text
from lastseen.products.styles.rules import LayerStyle, Rule, Symbol, layer_styles
from lastseen.products.styles.sld import sld_text

__all__ = ["LayerStyle", "Rule", "Symbol", "layer_styles", "qml_text", "sld_text"]
