"""How much may one GraphQL document ask for? Rules that are built once and cached with it.

Fragments are counted once each and multiplied, never walked again for every spread: a document
of a few hundred tokens whose fragments spread each other doubles its size at every level.
"""

from dataclasses import dataclass

from graphql import (
    FieldNode,
    FragmentDefinitionNode,
    FragmentSpreadNode,
    GraphQLError,
    OperationDefinitionNode,
    SelectionSetNode,
    ValidationContext,
    ValidationRule,
)


@dataclass(frozen=True)
class Size:
    """How large is a selection, with its fragments written out?"""

    fields: int = 0
    aliases: int = 0
    depth: int = 0

    def beside(self, other: "Size") -> "Size":
        """The size of two selections next to each other."""
        return Size(
            self.fields + other.fields,
            self.aliases + other.aliases,
            max(self.depth, other.depth),
        )


class _Measure:
    """Sizes of a document's selections; a fragment is measured once."""

    def __init__(self, fragments: dict[str, FragmentDefinitionNode]) -> None:
        self._fragments = fragments
        self._known: dict[str, Size] = {}

    def of(self, selections: SelectionSetNode | None) -> Size:
        size = Size()
        for node in selections.selections if selections else ():
            if isinstance(node, FieldNode):
                below = self.of(node.selection_set)
                one = Size(below.fields + 1, below.aliases + bool(node.alias), below.depth + 1)
            elif isinstance(node, FragmentSpreadNode):
                one = self._of_fragment(node.name.value)
            else:
                one = self.of(getattr(node, "selection_set", None))
            size = size.beside(one)
        return size

    def _of_fragment(self, name: str) -> Size:
        if name not in self._known:
            # A fragment that spreads itself counts 0 here; the standard rules refuse it.
            self._known[name] = Size()
            fragment = self._fragments.get(name)
            if fragment is not None:
                self._known[name] = self.of(fragment.selection_set)
        return self._known[name]


def size_rule(max_depth: int, max_aliases: int, max_fields: int) -> type[ValidationRule]:
    """Which validation rule refuses documents deeper or larger than this?

    Made once per schema: a new class for each request would defeat the cache of validations.
    """

    class SizeRule(ValidationRule):
        def __init__(self, context: ValidationContext) -> None:
            super().__init__(context)
            size = _document_size(context)
            for name, found, allowed in (
                ("levels", size.depth, max_depth),
                ("aliases", size.aliases, max_aliases),
                ("fields", size.fields, max_fields),
            ):
                if found > allowed:
                    message = f"The document has {found} {name}; at most {allowed} are allowed."
                    context.report_error(
                        GraphQLError(message, extensions={"code": "DOCUMENT_TOO_LARGE"})
                    )

    return SizeRule


def _document_size(context: ValidationContext) -> Size:
    definitions = context.document.definitions
    measure = _Measure(
        {node.name.value: node for node in definitions if isinstance(node, FragmentDefinitionNode)}
    )
    size = Size()
    for node in definitions:
        if isinstance(node, OperationDefinitionNode):
            size = size.beside(measure.of(node.selection_set))
    return size
