//! Operations: FHIR R4 operations.html. Which there are is said by [`endplate_followup::operation::OFFERED`].

use super::{App, answer};
use crate::access::gate::Served;
use crate::error::Failure;
use crate::extract::{self, Instance, Query, Type};
use crate::media;
use axum::Router;
use axum::extract::{FromRequest, FromRequestParts, Path, Request};
use axum::response::Response;
use axum::routing::{MethodRouter, get, post};
use endplate_fhir::Json;
use endplate_followup::operation::Inputs;
use endplate_followup::operation::meta::MetaChange;
use endplate_followup::{Reason, Refusal};

/// The routes of all operations. By GET those that store nothing and can be asked with plain values; by POST all.
pub(crate) fn routes() -> Router<App> {
    Router::new()
        .route("/fhir/{kind}/$validate", only("POST", post(validate_type)))
        .route("/fhir/{kind}/{id}/$validate", only("POST", post(validate_instance)))
        .route("/fhir/{kind}/{id}/$meta", read_only(get(meta).post(meta)))
        .route("/fhir/{kind}/{id}/$meta-add", only("POST", post(meta_add)))
        .route("/fhir/{kind}/{id}/$meta-delete", only("POST", post(meta_delete)))
        .route("/fhir/Patient/{id}/$everything", read_only(get(everything).post(everything)))
        .route(
            "/fhir/Patient/{id}/$protocol-preview",
            read_only(get(protocol_preview).post(protocol_preview)),
        )
        .route("/fhir/Patient/{id}/$protocol-move", only("POST", post(protocol_move)))
        .route("/fhir/Observation/$lastn", read_only(get(lastn).post(lastn)))
        .route("/fhir/ConceptMap/$translate", read_only(get(translate_type).post(translate_type)))
        .route(
            "/fhir/ConceptMap/{id}/$translate",
            read_only(get(translate_instance).post(translate_instance)),
        )
        .route("/fhir/ConceptMap/$unmapped", read_only(get(unmapped).post(unmapped)))
        .route("/fhir/CarePlan/{id}/$assess", read_only(get(assess).post(assess)))
        .route(
            "/fhir/Subscription/$status",
            read_only(get(subscription_statuses).post(subscription_statuses)),
        )
        .route(
            "/fhir/Subscription/{id}/$status",
            read_only(get(subscription_status).post(subscription_status)),
        )
        .route(
            "/fhir/Subscription/{id}/$events",
            read_only(get(subscription_events).post(subscription_events)),
        )
        .route("/fhir/PlanDefinition/$apply", only("POST", post(apply_type)))
        .route("/fhir/PlanDefinition/{id}/$apply", read_only(get(apply_instance).post(apply_instance)))
        .route("/fhir/PlanDefinition/{id}/$unit-report", read_only(get(unit_report).post(unit_report)))
        .route("/fhir/PlanDefinition/{id}/$compare-options", only("POST", post(compare)))
}

fn read_only(routes: MethodRouter<App>) -> MethodRouter<App> {
    only("GET,HEAD,POST", routes)
}

/// Answers any other method at the address of an operation.
fn only(allow: &'static str, routes: MethodRouter<App>) -> MethodRouter<App> {
    routes.fallback(async move || Failure::MethodNotAllowed { allow })
}

/// What an operation is given: the query, and by POST a Parameters resource or the one resource it is about.
pub(crate) struct Given(pub(super) Inputs);

impl FromRequest<App> for Given {
    type Rejection = Failure;

    async fn from_request(request: Request, app: &App) -> Result<Self, Failure> {
        let is_post = request.method() == axum::http::Method::POST;
        let (mut parts, body) = request.into_parts();
        let Ok(Query(pairs)) = Query::from_request_parts(&mut parts, app).await;
        let mut inputs = Inputs::of_query(pairs);
        if is_post {
            let headers = parts.headers.clone();
            let bytes = extract::collect(Request::from_parts(parts, body), app).await?;
            // Nothing to say is nothing to parse.
            if !bytes.is_empty() {
                media::check_body(&headers).map_err(Failure::UnsupportedMedia)?;
                let body = endplate_fhir::json::parse(&bytes).map_err(|issue| {
                    Failure::Refused(Refusal { reason: Reason::Malformed, issues: vec![issue] })
                })?;
                inputs.add_body(body)?;
            }
        }
        Ok(Self(inputs))
    }
}

/// The id in an address whose type is fixed.
pub(crate) struct Id(pub(super) String);

impl<S: Send + Sync> FromRequestParts<S> for Id {
    type Rejection = Failure;

    async fn from_request_parts(parts: &mut axum::http::request::Parts, state: &S) -> Result<Self, Failure> {
        let Ok(Path(id)) = Path::<String>::from_request_parts(parts, state).await else {
            return Err(Failure::UnknownRoute);
        };
        if endplate_fhir::is_id(&id) {
            Ok(Self(id))
        } else {
            Err(Failure::bad_request("An id is 1 to 64 letters, digits, hyphens and dots."))
        }
    }
}

/// An operation's answer: a resource as it is (R4: a single `return` that is a resource comes bare), or Parameters.
async fn told(app: &App, act: impl Future<Output = Result<Json, Refusal>>) -> Result<Response, Failure> {
    Ok(answer::document(app.read(act).await?.to_string()))
}

async fn validate_type(
    Served(app): Served,
    Type(kind): Type,
    Given(inputs): Given,
) -> Result<Response, Failure> {
    told(&app, app.endplate.validation(&kind, None, &inputs)).await
}

async fn validate_instance(
    Served(app): Served,
    Instance { kind, id }: Instance,
    Given(inputs): Given,
) -> Result<Response, Failure> {
    told(&app, app.endplate.validation(&kind, Some(&id), &inputs)).await
}

async fn meta(
    Served(app): Served,
    Instance { kind, id }: Instance,
    Given(inputs): Given,
) -> Result<Response, Failure> {
    told(&app, app.endplate.meta(&kind, &id, &inputs)).await
}

async fn meta_add(app: Served, instance: Instance, inputs: Given) -> Result<Response, Failure> {
    change_meta(app, instance, inputs, MetaChange::Add).await
}

async fn meta_delete(app: Served, instance: Instance, inputs: Given) -> Result<Response, Failure> {
    change_meta(app, instance, inputs, MetaChange::Delete).await
}

async fn change_meta(
    Served(app): Served,
    Instance { kind, id }: Instance,
    Given(inputs): Given,
    change: MetaChange,
) -> Result<Response, Failure> {
    let changed = app
        .write(move |endplate| async move { endplate.change_meta(&kind, &id, change, &inputs).await })
        .await?;
    Ok(answer::document(changed.to_string()))
}

async fn everything(Served(app): Served, Id(id): Id, Given(inputs): Given) -> Result<Response, Failure> {
    told(&app, app.endplate.everything(&id, &inputs)).await
}

async fn lastn(Served(app): Served, Given(inputs): Given) -> Result<Response, Failure> {
    told(&app, async { app.endplate.lastn(&inputs.pairs()?).await }).await
}

async fn translate_type(Served(app): Served, Given(inputs): Given) -> Result<Response, Failure> {
    told(&app, app.endplate.translate(None, &inputs)).await
}

async fn translate_instance(
    Served(app): Served,
    Id(id): Id,
    Given(inputs): Given,
) -> Result<Response, Failure> {
    told(&app, app.endplate.translate(Some(&id), &inputs)).await
}

async fn unmapped(Served(app): Served, Given(inputs): Given) -> Result<Response, Failure> {
    told(&app, async {
        inputs.only(&[])?;
        app.endplate.unmapped().await
    })
    .await
}

async fn assess(Served(app): Served, Id(id): Id, Given(inputs): Given) -> Result<Response, Failure> {
    told(&app, app.endplate.assess(&id, &inputs)).await
}

async fn apply_type(Served(app): Served, Given(inputs): Given) -> Result<Response, Failure> {
    told(&app, app.endplate.apply(None, &inputs)).await
}

async fn apply_instance(Served(app): Served, Id(id): Id, Given(inputs): Given) -> Result<Response, Failure> {
    told(&app, app.endplate.apply(Some(&id), &inputs)).await
}

async fn compare(Served(app): Served, Id(id): Id, Given(inputs): Given) -> Result<Response, Failure> {
    told(&app, app.endplate.compare(&id, &inputs)).await
}

async fn protocol_preview(
    Served(app): Served,
    Id(id): Id,
    Given(inputs): Given,
) -> Result<Response, Failure> {
    told(&app, app.endplate.move_one(&id, true, &inputs)).await
}

async fn protocol_move(Served(app): Served, Id(id): Id, Given(inputs): Given) -> Result<Response, Failure> {
    let moved =
        app.write(move |endplate| async move { endplate.move_one(&id, false, &inputs).await }).await?;
    Ok(answer::document(moved.to_string()))
}

async fn unit_report(Served(app): Served, Id(id): Id, Given(inputs): Given) -> Result<Response, Failure> {
    told(&app, app.endplate.unit_report(&id, &inputs)).await
}

async fn subscription_statuses(Served(app): Served, Given(inputs): Given) -> Result<Response, Failure> {
    told(&app, app.endplate.subscription_status(None, &inputs)).await
}

async fn subscription_status(
    Served(app): Served,
    Id(id): Id,
    Given(inputs): Given,
) -> Result<Response, Failure> {
    told(&app, app.endplate.subscription_status(Some(&id), &inputs)).await
}

async fn subscription_events(
    Served(app): Served,
    Id(id): Id,
    Given(inputs): Given,
) -> Result<Response, Failure> {
    told(&app, app.endplate.subscription_events(&id, &inputs)).await
}
