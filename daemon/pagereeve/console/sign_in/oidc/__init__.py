"""People who sign in at an OpenID provider: the authorization code flow with PKCE. Needs the extra ``oidc``."""
