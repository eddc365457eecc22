"""Which questions and actions does the nursery's API have? The schema, and its SDL in the tree.

`python -m api.schema` prints the SDL; a test compares it with `api/schema.graphql`.
"""

import logging
from collections.abc import Iterator
from typing import Any
from uuid import uuid4

import strawberry
from graphql import GraphQLError, OperationDefinitionNode
from graphql.validation import NoSchemaIntrospectionCustomRule
from strawberry import Schema
from strawberry.extensions import (
    AddValidationRules,
    MaskErrors,
    MaxTokensLimiter,
    ParserCache,
    SchemaExtension,
    ValidationCache,
)
from strawberry.schema.config import StrawberryConfig
from strawberry.types import ExecutionContext

from api.availability import AvailabilityNews
from api.benches import BenchQueries
from api.claims import ClaimMutations, ClaimQueries
from api.compare import CompareQueries
from api.conditions import ConditionMutations
from api.day_book import DayBookMutations, DayBookQueries
from api.days_ahead import DaysAheadQueries
from api.dispatch import DispatchMutations, DispatchQueries
from api.dispatch_why import DispatchWhyQueries
from api.growing import BatchMutations
from api.lanes import LaneMutations, LaneQueries
from api.limits import size_rule
from api.materials import MaterialQueries
from api.news import PromiseNews
from api.outage import outage, told
from api.planning import JobNews, PlanMutations, PlanQueries
from api.plant_health import PlantHealthMutations, PlantHealthQueries
from api.products import ProductQueries
from api.promises import PromiseMutations, PromiseQueries
from api.receivers import ReceiverMutations, ReceiverQueries
from api.rota import RotaMutations, RotaQueries
from api.rounds import RoundQueries
from api.scalars import SCALARS
from api.shade import ShadeMutations, ShadeQueries
from api.shed import ShedQueries
from api.texts import TextRule, TextsInVariables
from api.trace import TraceQueries
from api.warnings import WarningQueries
from api.week import WeekQueries
from api.wraps import WrapMutations, WrapQueries
from nursery.settings import Settings

log = logging.getLogger("nursery.api")


@strawberry.type(description="Every answer is a union of its result and Refusal.")
class Query(
    ProductQueries,
    PromiseQueries,
    DispatchQueries,
    DispatchWhyQueries,
    DaysAheadQueries,
    ShedQueries,
    PlanQueries,
    CompareQueries,
    WeekQueries,
    BenchQueries,
    RotaQueries,
    RoundQueries,
    MaterialQueries,
    DayBookQueries,
    WarningQueries,
    ReceiverQueries,
    ShadeQueries,
    WrapQueries,
    TraceQueries,
    ClaimQueries,
    PlantHealthQueries,
    LaneQueries,
):
    """All questions."""


@strawberry.type(description="Every answer is a union of its result and Refusal.")
class Mutation(
    PromiseMutations,
    ClaimMutations,
    DispatchMutations,
    PlanMutations,
    BatchMutations,
    DayBookMutations,
    RotaMutations,
    ShadeMutations,
    WrapMutations,
    ConditionMutations,
    PlantHealthMutations,
    ReceiverMutations,
    LaneMutations,
):
    """All actions."""


@strawberry.type(description="Every message is a union of its news and Refusal.")
class Subscription(PromiseNews, AvailabilityNews, JobNews):
    """All news."""


def _is_unexpected(error: GraphQLError) -> bool:
    """Is this a failure of ours? Faults of the document carry no other error within."""
    return error.original_error is not None and not isinstance(error.original_error, GraphQLError)


class _Masked(MaskErrors):
    """Nothing of an unexpected error is told but a reference, under which it is in the log.

    Of trouble with the database it is told that it is that.
    """

    def __init__(self) -> None:
        super().__init__(should_mask_error=_is_unexpected)

    def anonymise_error(self, error: GraphQLError) -> GraphQLError:
        if (message := outage(error.original_error)) is not None:
            log.error("%s is answered: %s", error.path, error.original_error)
            return told(error, message)
        reference = uuid4().hex[:12]
        log.error("Unexpected error %s at %s", reference, error.path, exc_info=error.original_error)
        return GraphQLError(
            f"Something unexpected went wrong. It is in the server's log under {reference}.",
            nodes=error.nodes,
            path=error.path,
            extensions={"code": "UNEXPECTED", "reference": reference},
        )


class _OneOperation(SchemaExtension):
    """Of several operations one must be named (GraphQL specification, 6.1 GetOperation)."""

    def on_validate(self) -> Iterator[None]:
        context = self.execution_context
        document = context.graphql_document
        operations = [
            node
            for node in (document.definitions if document else ())
            if isinstance(node, OperationDefinitionNode)
        ]
        if len(operations) > 1 and context._provided_operation_name is None:
            error = GraphQLError("Name the operation: the document holds more than one.")
            context.pre_execution_errors = [*(context.pre_execution_errors or ()), error]
        yield


class NurserySchema(Schema):
    """The schema; errors are logged where they are masked, and only there."""

    def process_errors(
        self, errors: list[GraphQLError], execution_context: ExecutionContext | None = None
    ) -> None:
        """A mistake in a client's document is no matter for the nursery's log."""


def make_schema(settings: Settings | None = None) -> Schema:
    """Which schema does the API serve under these settings? Make it once: rules are cached."""
    allowed = settings or Settings()
    size = size_rule(allowed.max_depth, allowed.max_aliases, allowed.max_fields)
    rules: list[Any] = [size, TextRule]
    if not allowed.introspection:
        rules.append(NoSchemaIntrospectionCustomRule)
    return NurserySchema(
        query=Query,
        mutation=Mutation,
        subscription=Subscription,
        config=StrawberryConfig(scalar_map=SCALARS, disable_field_suggestions=True),
        extensions=[
            _Masked,
            lambda: MaxTokensLimiter(max_token_count=allowed.max_tokens),
            lambda: AddValidationRules(rules),
            ParserCache,
            ValidationCache,
            _OneOperation,
            TextsInVariables,
        ],
    )


if __name__ == "__main__":
    print(make_schema().as_str())
